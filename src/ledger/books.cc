#include "ledger/books.h"

#include <algorithm>
#include <cctype>
#include <nlohmann/json.hpp>
#include <set>

#include "core/files.h"
#include "ledger/event.h"
#include "ledger/manifest.h"

namespace lapwright::ledger {
namespace {

std::string text(const Json& body, const char* key) {
  const auto it = body.find(key);
  return it != body.end() && it->is_string() ? it->get<std::string>() : std::string();
}
int whole(const Json& body, const char* key) {
  const auto it = body.find(key);
  return it != body.end() && it->is_number_integer() ? it->get<int>() : 0;
}
std::vector<std::string> texts(const Json& list) {
  std::vector<std::string> out;
  for (const Json& item : list) {
    if (item.is_string()) out.push_back(item.get<std::string>());
  }
  return out;
}
Json member(const Json& body, const char* key) {
  const auto it = body.find(key);
  return it != body.end() ? *it : Json();
}

File to_file(const Json& json) {
  File f{text(json, "path"), text(json, "sha256"), 0};
  const auto it = json.find("bytes");
  if (it != json.end() && it->is_number_unsigned()) f.bytes = it->get<std::uint64_t>();
  if (it != json.end() && it->is_number_integer() && !it->is_number_unsigned())
    f.bytes = static_cast<std::uint64_t>(std::max<std::int64_t>(0, it->get<std::int64_t>()));
  return f;
}

bool is_all(const std::vector<std::string>& frames) {
  return frames.size() == 1 && frames.front() == "all";
}
bool holds(const std::vector<std::string>& frames, const std::string& f) {
  return is_all(frames) || std::find(frames.begin(), frames.end(), f) != frames.end();
}

/// Leaves out of unplanned jobs what is already there at full; drops those that have nothing left.
void prune(RollBook& book) {
  for (OpenJob& job : book.full) {
    if (job.begun()) continue;
    if (is_all(job.frames)) {
      const bool all_there = !book.frames.empty() &&
                             std::all_of(book.frames.begin(), book.frames.end(),
                                         [&](const auto& f) { return book.at_full(f, job.ppi); });
      if (all_there) job.frames.clear();
    } else {
      std::erase_if(job.frames, [&](const std::string& f) { return book.at_full(f, job.ppi); });
    }
  }
  std::erase_if(book.full, [](const OpenJob& job) { return job.frames.empty(); });
}

}  // namespace

Json to_json(const File& file) {
  return {{"path", file.path}, {"sha256", file.sha256}, {"bytes", file.bytes}};
}

std::optional<File> infrared_of(const Json& capture) {
  const auto it = capture.find("infrared");
  if (it == capture.end() || !it->is_object()) return std::nullopt;
  return to_file(member(*it, "file"));
}

bool frame_order(const std::string& a, const std::string& b) {
  const auto split = [](const std::string& s) {
    std::size_t n = 0;
    while (n < s.size() && std::isdigit(static_cast<unsigned char>(s[n])) != 0) ++n;
    return std::pair{n == 0 ? std::string(1, '~')
                            : std::string(12 - std::min<std::size_t>(n, 12), '0') + s.substr(0, n),
                     s.substr(n)};
  };
  return split(a) < split(b);
}

bool RollBook::at_full(const std::string& frame, Ppi ppi) const {
  const auto it = full_ppi.find(frame);
  return it != full_ppi.end() && it->second >= ppi.value;
}

std::vector<std::string> RollBook::still_wanted(const OpenJob& job) const {
  const std::vector<std::string>& asked = is_all(job.frames) ? frames : job.frames;
  std::vector<std::string> left;
  std::copy_if(asked.begin(), asked.end(), std::back_inserter(left),
               [&](const std::string& f) { return !at_full(f, job.ppi); });
  return left.empty() || left.size() == asked.size() ? job.frames : left;
}

std::map<std::string, File> RollBook::lasting() const {
  std::map<std::string, File> out = kept_passes;
  for (const auto& [path, file] : published) out[path] = file;
  return out;
}

std::string RollBook::copy_mark() const {
  core::Sha256 sum;
  const std::string text = manifest_text(roll.name, lasting());
  sum.add(text.data(), text.size());
  return sum.hex();
}

std::map<std::string, File> RollBook::named() const {
  std::map<std::string, File> out = lasting();
  const auto add = [&](const OpenJob& job) {
    for (const auto& [pass, captured] : job.captured) {
      out[captured.file.path] = captured.file;
      if (captured.infrared) out[captured.infrared->path] = *captured.infrared;
    }
  };
  if (proof) add(*proof);
  for (const OpenJob& job : full) add(job);
  return out;
}

std::vector<std::string> RollBook::due() const {
  std::set<std::string> names;
  for (const OpenJob& job : full) {
    const bool spell_out = is_all(job.frames) && !frames.empty();
    for (const std::string& f : spell_out ? frames : job.frames) {
      if (!at_full(f, job.ppi)) names.insert(f);
    }
  }
  std::vector<std::string> out(names.begin(), names.end());
  std::sort(out.begin(), out.end(), frame_order);
  return out;
}

const RollBook* Books::roll(const std::string& name) const {
  const auto it = rolls_.find(name);
  return it == rolls_.end() ? nullptr : &it->second;
}

OpenJob* RollBook::find_job(std::int64_t id) {
  if (proof && proof->id == id) return &*proof;
  for (OpenJob& open : full) {
    if (open.id == id) return &open;
  }
  return nullptr;
}

const OpenJob* RollBook::job(std::int64_t id) const {
  return const_cast<RollBook*>(this)->find_job(id);
}

const OpenJob* Books::job(std::int64_t id, const RollBook** roll) const {
  for (const auto& [name, book] : rolls_) {
    if (const OpenJob* found = book.job(id)) {
      if (roll) *roll = &book;
      return found;
    }
  }
  return nullptr;
}

void Books::apply(const Fact& fact) {
  last_ = std::max(last_, fact.seq);
  const Json& body = fact.body;
  if (fact.kind == kind::roll_received) {
    if (rolls_.count(fact.roll)) return;
    RollBook book;
    book.roll = {fact.roll,          text(body, "sleeve"), text(body, "stock"),
                 text(body, "shot"), text(body, "note"),   fact.at};
    book.proof = OpenJob{};
    book.proof->id = fact.seq;
    book.proof->asked = fact.at;
    rolls_.emplace(fact.roll, std::move(book));
    order_.push_back(fact.roll);
    return;
  }
  if (fact.kind == kind::audited) {
    const Json& counts = member(body, "rolls");
    for (auto& [name, book] : rolls_)
      if (counts.is_object() && counts.contains(name)) book.audited = {fact.at, whole(counts, name.c_str())};
    return;
  }
  const auto found = rolls_.find(fact.roll);
  if (found != rolls_.end()) found->second.apply(fact);
}

void RollBook::apply(const Fact& fact) {
  const Json& body = fact.body;
  if (fact.kind == kind::frames_wanted) return wanted(fact);
  if (fact.kind == kind::full_accepted) return accepted(fact);
  if (fact.kind == kind::proof_remade) {
    for (const std::string& path : texts(member(body, "gone"))) published.erase(path);
    for (const Json& f : member(body, "files")) published[text(f, "path")] = to_file(f);
    return;
  }
  if (fact.kind == kind::copy_checked) {
    copies[text(body, "place")] = {text(body, "mark"), fact.at};
    return;
  }
  if (fact.kind == kind::verdict_set || fact.kind == kind::verdict_cleared) {
    const std::string frame = text(body, "frame"), word = text(body, "verdict");
    if (word.empty()) verdicts.erase(frame);
    else verdicts[frame] = word;
    return;
  }
  OpenJob* open = find_job(fact.job);
  if (!open) return;
  const int pass = whole(body, "pass");
  if (fact.kind == kind::plan_made) {
    open->plan = member(body, "plan");
    const int keeps = whole(body, "keeps");
    std::erase_if(open->captured, [&](const auto& made) {
      if (made.first > keeps) open->dropped.insert(made.second.file.sha256);
      return made.first > keeps;
    });
  } else if (fact.kind == kind::pass_captured) {
    const Json capture = member(body, "capture");
    open->captured[pass] = {pass, to_file(member(body, "file")), capture, infrared_of(capture)};
  } else if (fact.kind == kind::pass_refused) {
    if (const auto it = open->captured.find(pass); it != open->captured.end()) {
      open->dropped.insert(it->second.file.sha256);
      open->captured.erase(it);
    }
  } else if (fact.kind == kind::sheet_published && proof && open == &*proof) {
    for (const auto& [number, captured] : open->captured)
      kept_passes[captured.file.path] = captured.file;
    for (const Json& f : member(body, "files")) published[text(f, "path")] = to_file(f);
    for (const Json& f : member(member(body, "frames"), "frames")) {
      if (const std::string name = text(f, "frame"); !name.empty()) frames.push_back(name);
    }
    proofed_at = fact.at;
    proof.reset();
  }
}

void RollBook::wanted(const Fact& fact) {
  const Ppi ppi{whole(fact.body, "ppi")};
  std::vector<std::string> asked;
  for (const std::string& f : texts(member(fact.body, "frames"))) {
    const bool already = std::any_of(full.begin(), full.end(), [&](const OpenJob& job) {
      return holds(job.frames, f) && job.ppi >= ppi && (f != "all" || is_all(job.frames));
    });
    if (!already && !holds(asked, f)) asked.push_back(f);
  }
  if (asked.empty()) return;
  for (OpenJob& job : full) {  // what is now asked for at a higher resolution need not be made
                               // at a lower one as well
    if (!job.begun() && job.ppi < ppi)
      std::erase_if(job.frames, [&](const std::string& f) { return holds(asked, f); });
    if (!job.begun() && job.ppi <= ppi && is_all(asked)) job.frames.clear();
  }
  const auto open = std::find_if(full.rbegin(), full.rend(), [&](const OpenJob& job) {
    return !job.begun() && job.ppi == ppi && !job.frames.empty() && !is_all(asked) &&
           !is_all(job.frames);
  });
  if (open != full.rend()) {
    open->frames.insert(open->frames.end(), asked.begin(), asked.end());
  } else {
    OpenJob job;
    job.id = fact.seq;
    job.ppi = ppi;
    job.frames = std::move(asked);
    job.asked = fact.at;
    full.push_back(std::move(job));
  }
  prune(*this);
}

void RollBook::accepted(const Fact& fact) {
  const int ppi = whole(fact.body, "ppi");
  OpenJob* job = find_job(fact.job);
  const bool whole_sleeve = job && is_all(job->frames);
  if (job) {
    for (const auto& [number, captured] : job->captured) job->dropped.insert(captured.file.sha256);
    job->captured.clear(), job->plan.reset();
  }
  for (const Json& f : member(fact.body, "files")) published[text(f, "path")] = to_file(f);
  std::vector<std::string> done = texts(member(fact.body, "frames"));
  if (is_all(done)) done = frames.empty() ? done : frames;
  for (const std::string& f : done) {
    int& best = full_ppi[f];
    best = std::max(best, ppi);
  }
  if (whole_sleeve) job->frames.clear();
  prune(*this);
}

}  // namespace lapwright::ledger
