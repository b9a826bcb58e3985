#include "review/review.h"

#include <csignal>

#include "core/text.h"
#include "ledger/ledger.h"
#include "review/bedside.h"
#include "review/desk.h"
#include "review/page_files.h"
#include "review/server.h"
#include "review/site.h"
#include "review/trim.h"

namespace lapwright::review {

Result<Listen> read_listen(const std::string& text) {
  const auto wrong = [&](const std::string& what) {
    return fail(Fault::usage, "--listen " + core::one_line(text, 80) + ": " + what);
  };
  const std::string right = "ADDRESS:PORT is right, such as 127.0.0.1:5279";
  const std::size_t colon = text.rfind(':');
  if (colon == std::string::npos) return wrong(right);
  std::string host = text.substr(0, colon);
  const std::string port = text.substr(colon + 1);
  if (port.empty() || port.size() > 5 ||
      port.find_first_not_of("0123456789") != std::string::npos || std::stoi(port) > 65535)
    return wrong(right);
  if (host.size() > 2 && host.front() == '[' && host.back() == ']')
    host = host.substr(1, host.size() - 2);
  if (host.empty()) return wrong(right);
  if (host == "localhost") host = "127.0.0.1";
  if (host != "127.0.0.1" && host != "::1")
    return wrong("letting tablets in is not there yet; 127.0.0.1, localhost or [::1] is right");
  return Listen{host, std::stoi(port)};
}

Result<int> run(const std::filesystem::path& archive, ledger::Ledger ledger, const Listen& listen,
                const Hooks& hooks) {
  if (!page_is_whole())
    return fail(Fault::unavailable,
                "this lapwright was built without the review page, because the npm registry could "
                "not be reached then; build it again with npm, or with -DWEB_VENDOR_DIR=FOLDER");
  auto server = Server::bind(listen.address, listen.port);
  if (!server) return fail(server.error());
  Door door;
  door.hosts = loopback_hosts((*server)->port());
  if (auto r = ledger.settle(); !r) hooks.log("a proof that was being made anew is not in its place yet: " + core::one_line(r.error().text));
  Desk desk(archive, std::move(ledger));
  std::optional<proof::PageSize> paper;
  if (hooks.paper) paper = {(*hooks.paper)[0], (*hooks.paper)[1]};
  Bedside bedside(archive);
  Trimming trimming({archive, hooks.shelf, hooks.own, hooks.outside, hooks.paper}, hooks.log);
  Site site(desk, bedside, door, hooks.log, paper, &trimming);
  const std::string host = listen.address == "::1" ? "[::1]" : listen.address;
  hooks.ready(door.scheme + "://" + host + ":" + std::to_string((*server)->port()) + "/");
  const int signal = (*server)->run([&](const Request& request) { return site.answer(request); });
  return signal == SIGINT ? exit_code(Fault::cancelled) : 0;
}

}  // namespace lapwright::review
