// Every address of the page: what is asked becomes what is answered, without a socket.
//
// Invariants: each reply carries the headers of guard.h; nobody gets what guard.h's rules do not give
//   him; an unexpected fault gives a short sentence with a number, its details go to the log. Units:
//   none. Thread: one (the desk's). Errors: replies.
#pragma once

#include <functional>
#include <optional>
#include <string>

#include "core/clock.h"
#include "proof/proof.h"
#include "review/bedside.h"
#include "review/desk.h"
#include "review/guard.h"
#include "review/message.h"
#include "review/rates.h"
#include "review/tablets.h"

namespace lapwright::review {

class Trimming;

/// The port for other machines, as it is told of.
struct Elsewhere {
  Door door;
  std::string url, until;                          // until: UTC
  std::string fingerprint, authority_fingerprint;  // SHA-256
  std::string authority;                           // DER
  std::function<bool()> open;
  std::function<void()> shut;
};

class Site {
 public:
  using Log = std::function<void(const std::string& line)>;
  /// `paper`: that marked sheets are printed on; none: pages that hold them.
  /// `trimming`: none where sheets are only looked at.
  Site(Desk& desk, Bedside& bedside, Door door, Log log, std::optional<proof::PageSize> paper = {}, Trimming* trimming = nullptr)
      : desk_(desk), bedside_(bedside), door_(std::move(door)), log_(std::move(log)), paper_(paper), trimming_(trimming) {}
  /// From now on tablets are known, and let in by `elsewhere` when there is one.
  void let_in(Tablets& tablets, std::optional<Elsewhere> elsewhere);
  Reply answer(const Request& request);

 private:
  /// An address cut at its slashes, each part unescaped; what does not unescape cleanly is no
  /// address.
  struct Path {
    std::vector<std::string> parts;
    bool good = true;

    explicit Path(std::string_view target);
    const std::string& operator[](std::size_t i) const { return parts[i]; }
    std::size_t size() const { return parts.size(); }
    bool begins(std::initializer_list<std::string_view> with) const;
    bool is(std::initializer_list<std::string_view> all) const {
      return size() == all.size() && begins(all);
    }
  };
  /// Who asks, and by which door.
  struct Visit {
    const Door& door;
    Visitor visitor;
    std::optional<Tablets::Session> session = {};
  };
  Reply route(const Request& request, const Path& path, const Visit& visit);
  std::optional<Reply> kept_out(const Request& request, const Path& path, Visit& visit);
  std::optional<Reply> too_often(Rates& rates, const std::string& who, double cost = 1);
  std::optional<Reply> about_tablets(const Request& request, const Path& path, const Visit& visit);
  Reply pairing(const Request& request, const Path& path);
  Reply tablets_now(const Request& request, const Path& path);
  Reply page(const std::string& name, const Request& request);
  Reply iiif(const Path& path, const std::string& base, const Request& request);
  Reply image(const Path& path, const std::string& base, const Request& request);
  Reply look(const Path& path, Visitor visitor);
  Reply change(const Request& request, const Path& path, const Visit& visit);
  Reply selects();
  Reply marked(const std::string& roll);
  Reply at_the_bed(const Request& request, const Path& path);
  Reply bed_now();
  /// .../trim and what lies below it; `body` of a change, null when it is looked at.
  Reply trim(const Path& path, const Json* body, Visitor visitor);
  Reply want(const iiif::Sheet& about, const Json& body);
  static Reply download(std::string bytes, const std::string& type, const std::string& name);
  Reply failed(const Error& error);
  /// `what` and a number under which the log tells of the error.
  std::string caution(const std::string& what, const Error& error);

  Desk& desk_;
  Bedside& bedside_;
  Door door_;
  Log log_;
  std::optional<proof::PageSize> paper_;
  Trimming* trimming_;
  Tablets* tablets_ = nullptr;
  std::optional<Elsewhere> elsewhere_;
  // From other machines, so much at once and so much a second: requests and pairing tries by
  // address, changes by session, lines of the log by address.
  Rates requests_{1200, 100}, tries_{10, 1.0 / 60}, changes_{120, 10}, lines_{20, 0.1};
  core::Stopwatch watch_;
  int faults_ = 0;
};

}  // namespace lapwright::review
