#include "review/listen.h"

#include <arpa/inet.h>
#include <ifaddrs.h>
#include <netinet/in.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <optional>
#include <vector>

#include "core/text.h"

namespace lapwright::review {
namespace {

std::optional<int> read_port(const std::string& text) {
  if (text.empty() || text.size() > 5 || text.find_first_not_of("0123456789") != std::string::npos ||
      std::stoi(text) > 65535)
    return std::nullopt;
  return std::stoi(text);
}

std::string text_of(int family, const void* address) {
  std::array<char, INET6_ADDRSTRLEN> text{};
  return ::inet_ntop(family, address, text.data(), text.size()) ? text.data() : std::string();
}

/// Every address of this machine that another one could use.
std::vector<std::string> own_addresses() {
  std::vector<std::string> found;
  ifaddrs* all = nullptr;
  if (::getifaddrs(&all) != 0) return found;
  for (const ifaddrs* i = all; i; i = i->ifa_next) {
    if (!i->ifa_addr) continue;
    if (i->ifa_addr->sa_family == AF_INET) {
      const auto& a = reinterpret_cast<const sockaddr_in*>(i->ifa_addr)->sin_addr;
      if ((ntohl(a.s_addr) >> 24) != 127) found.push_back(text_of(AF_INET, &a));
    } else if (i->ifa_addr->sa_family == AF_INET6) {
      const auto& a = reinterpret_cast<const sockaddr_in6*>(i->ifa_addr)->sin6_addr;
      if (!IN6_IS_ADDR_LOOPBACK(&a) && !IN6_IS_ADDR_LINKLOCAL(&a))
        found.push_back(text_of(AF_INET6, &a));
    }
  }
  ::freeifaddrs(all);
  return found;
}

}  // namespace

std::string in_url(const std::string& address) {
  return address.find(':') == std::string::npos ? address : "[" + address + "]";
}

Result<Listen> read_listen(const std::string& text) {
  const auto wrong = [&](const std::string& what) {
    return fail(Fault::usage, "--listen " + core::one_line(text, 80) + ": " + what);
  };
  const std::string right = "ADDRESS:PORT is right, such as 127.0.0.1:5279";
  const std::size_t colon = text.rfind(':');
  if (colon == std::string::npos) return wrong(right);
  std::string host = text.substr(0, colon);
  const auto port = read_port(text.substr(colon + 1));
  if (!port) return wrong(right);
  if (host.size() > 2 && host.front() == '[' && host.back() == ']')
    host = host.substr(1, host.size() - 2);
  if (host.empty()) return wrong(right);
  if (host == "localhost") host = "127.0.0.1";
  if (host != "127.0.0.1" && host != "::1")
    return wrong("this is the operator's own page: 127.0.0.1, localhost or [::1] is right; tablets "
                 "are let in by --tablets ADDRESS");
  return Listen{host, *port};
}

Result<Listen> read_tablets(const std::string& text) {
  std::vector<std::string> own = own_addresses();
  std::string these;
  for (const std::string& a : own) these += (these.empty() ? "" : " or ") + a;
  if (these.empty()) these = "it has none that others could reach";
  const auto wrong = [&](const std::string& what) {
    return fail(Fault::usage, "--tablets " + core::one_line(text, 80) + ": " + what);
  };
  const std::string right = "one address of this machine is right: " + these;
  Listen out;
  out.port = 5280;
  std::string host = text, port;
  const auto colons = std::count(text.begin(), text.end(), ':');
  if (text.starts_with('[')) {
    const std::size_t end = text.find(']');
    if (end == std::string::npos) return wrong(right);
    host = text.substr(1, end - 1), port = text.substr(end + 1);
    if (!port.empty() && port[0] != ':') return wrong(right);
  } else if (colons == 1) {
    host = text.substr(0, text.find(':')), port = text.substr(text.find(':'));
  }
  if (!port.empty()) {
    const auto number = read_port(port.substr(1));
    if (!number) return wrong("the port is a number up to 65535");
    out.port = *number;
  }
  in_addr four{};
  in6_addr six{};
  if (::inet_pton(AF_INET, host.c_str(), &four) == 1) {
    if (four.s_addr == INADDR_ANY) return wrong("that is every network at once; " + right);
    // Loopback as a whole is this machine's; not of use to a tablet, and no harm.
    if ((ntohl(four.s_addr) >> 24) == 127) own.push_back(text_of(AF_INET, &four));
    out.address = text_of(AF_INET, &four);
  } else if (::inet_pton(AF_INET6, host.c_str(), &six) == 1) {
    if (IN6_IS_ADDR_UNSPECIFIED(&six)) return wrong("that is every network at once; " + right);
    if (IN6_IS_ADDR_LINKLOCAL(&six))
      return wrong("browsers do not open link-local addresses; " + right);
    out.address = text_of(AF_INET6, &six);
  } else {
    return wrong(right);
  }
  if (std::find(own.begin(), own.end(), out.address) == own.end())
    return wrong("this machine has no such address; " + right);
  return out;
}

std::string local_name() {
  std::array<char, 256> name{};
  if (::gethostname(name.data(), name.size() - 1) != 0) return {};
  std::string label(name.data());
  label = label.substr(0, label.find('.'));
  if (label.empty() || label.size() > 63 || label.front() == '-' || label.back() == '-') return {};
  for (char& c : label) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
    if (!((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-')) return {};
  }
  return label + ".local";
}

}  // namespace lapwright::review
