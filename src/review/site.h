// Every address of the page: what is asked becomes what is answered, without a socket.
//
// Invariants: each reply carries the headers of guard.h; an unexpected fault gives a short sentence
//   with a number, its details go to the log. Units: none. Thread: one (the desk's). Errors:
//   replies.
#pragma once

#include <functional>
#include <string>

#include "proof/proof.h"
#include "review/bedside.h"
#include "review/desk.h"
#include "review/guard.h"
#include "review/message.h"

namespace lapwright::review {

class Trimming;

class Site {
 public:
  using Log = std::function<void(const std::string& line)>;
  /// `paper`: that marked sheets are printed on; none: pages that hold them.
  /// `trimming`: none where sheets are only looked at.
  Site(Desk& desk, Bedside& bedside, Door door, Log log, std::optional<proof::PageSize> paper = {}, Trimming* trimming = nullptr)
      : desk_(desk), bedside_(bedside), door_(std::move(door)), log_(std::move(log)), paper_(paper), trimming_(trimming) {}
  Reply answer(const Request& request);

 private:
  struct Path;
  Reply route(const Request& request, const Path& path);
  Reply page(const std::string& name, const Request& request);
  Reply iiif(const Path& path, const std::string& base, const Request& request);
  Reply image(const Path& path, const std::string& base, const Request& request);
  Reply look(const Path& path);
  Reply change(const Request& request, const Path& path);
  Reply selects();
  Reply marked(const std::string& roll);
  Reply at_the_bed(const Request& request, const Path& path);
  Reply bed_now();
  /// .../trim and what lies below it; `body` of a change, null when it is looked at.
  Reply trim(const Path& path, const Json* body);
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
  int faults_ = 0;
};

}  // namespace lapwright::review
