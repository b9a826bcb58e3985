#include "review/review.h"

#include <atomic>
#include <chrono>
#include <cmath>
#include <csignal>

#include "core/clock.h"
#include "core/text.h"
#include "ledger/ledger.h"
#include "review/attendant.h"
#include "review/bedside.h"
#include "review/certificate.h"
#include "review/desk.h"
#include "review/page_files.h"
#include "review/server.h"
#include "review/site.h"
#include "review/tablets.h"
#include "review/trim.h"

namespace lapwright::review {

Result<int> run(const std::filesystem::path& archive, ledger::Ledger ledger, const Listen& listen,
                const std::optional<LetIn>& let_in, const Hooks& hooks) {
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
  if (auto r = desk.agree(); !r) hooks.log("the ledger has not taken in every verdict: " + core::one_line(r.error().text));
  std::optional<proof::PageSize> paper;
  if (hooks.paper) paper = {(*hooks.paper)[0], (*hooks.paper)[1]};
  Bedside bedside(archive);
  Trimming trimming({archive, hooks.shelf, hooks.own, hooks.outside, hooks.paper}, hooks.log);
  Site site(desk, bedside, door, hooks.log, paper, &trimming);
  Ready ready{door.scheme + "://" + in_url(listen.address) + ":" +
              std::to_string((*server)->port()) + "/"};

  const auto note = [&](const std::string& line) { hooks.log(core::rfc3339_now() + " " + line); };
  const auto folder = tablets_folder();
  if (!folder && let_in) return fail(folder.error());
  std::optional<Tablets> tablets;
  std::error_code none;
  const auto whole = std::filesystem::weakly_canonical(archive, none);
  if (folder) tablets.emplace(*folder, (none ? archive : whole).string(), note);
  std::atomic<bool> open = false;
  const auto shut = [&](const std::string& why) {
    if (!open.exchange(false)) return;
    (*server)->shut_out();
    note("tablets are not let in any more: " + why);
  };
  std::optional<Elsewhere> elsewhere;
  if (let_in) {
    // What is wrong there is told before anybody is let in.
    if (auto known = tablets->sessions(); !known) return fail(known.error());
    const std::string name = local_name();
    const auto certificate = station_certificate(*folder, let_in->at.address, name);
    if (!certificate) return fail(certificate.error());
    const auto port = (*server)->let_in(let_in->at.address, let_in->at.port, certificate->chain,
                                        certificate->key);
    if (!port) return fail(port.error());
    elsewhere.emplace();
    elsewhere->door = {"https", lan_hosts(let_in->at.address, name, *port), Visitor::stranger};
    elsewhere->url = "https://" + in_url(let_in->at.address) + ":" + std::to_string(*port) + "/";
    elsewhere->until = core::rfc3339(std::chrono::system_clock::now() +
                                     std::chrono::seconds(std::lround(let_in->hours * 3600)));
    elsewhere->fingerprint = certificate->fingerprint;
    elsewhere->authority_fingerprint = certificate->authority_fingerprint;
    elsewhere->authority = certificate->authority;
    elsewhere->open = [&open] { return open.load(); };
    elsewhere->shut = [&shut] { shut("the operator closed the door"); };
    ready.tablets = {elsewhere->url, elsewhere->until, certificate->fingerprint,
                     certificate->authority_fingerprint, certificate->fresh_authority};
    open = true;
  }
  if (tablets) site.let_in(*tablets, elsewhere);
  hooks.ready(ready);
  std::optional<Attendant> attendant;
  if (let_in) {
    note("tablets are let in at " + elsewhere->url + " until " + elsewhere->until);
    tablets->new_code();
    attendant.emplace(*tablets, Attendant::How{elsewhere->url, let_in->hours * 3600, hooks.say,
                                               [&shut] { shut("their time is over"); },
                                               [&open] { return open.load(); }});
  }
  const int signal = (*server)->run([&](const Request& request) { return site.answer(request); });
  return signal == SIGINT ? exit_code(Fault::cancelled) : 0;
}

}  // namespace lapwright::review
