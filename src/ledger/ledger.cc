#include "ledger/ledger.h"

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <cctype>
#include <cerrno>
#include <cstring>
#include <nlohmann/json.hpp>

#include "core/files.h"
#include "ledger/bag.h"
#include "ledger/event.h"
#include "ledger/store.h"

namespace lapwright::ledger {
namespace {

namespace fs = std::filesystem;

bool plain_frame(const std::string& name) {
  std::size_t digits = 0;
  while (digits < name.size() && std::isdigit(static_cast<unsigned char>(name[digits])) != 0)
    ++digits;
  return digits >= 1 && digits <= 3 &&
         (name.size() == digits || (name.size() == digits + 1 &&
                                    std::isupper(static_cast<unsigned char>(name.back())) != 0));
}

std::string joined(const std::vector<std::string>& words) {
  std::string out;
  for (const std::string& w : words) out += (out.empty() ? "" : ", ") + w;
  return out;
}

Json list(const std::vector<File>& files) {
  Json out = Json::array();
  for (const File& f : files) out.push_back(to_json(f));
  return out;
}

Fact fact_of(const Statement& s) {
  Fact fact;
  fact.seq = s.number(0);
  fact.kind = s.text(1);
  fact.roll = s.text(2);
  fact.job = s.number(3);
  fact.at = s.text(4);
  return fact;
}

}  // namespace

Ledger::Store::~Store() {
  if (lock_fd >= 0) ::close(lock_fd);
  std::error_code ignored;
  if (!looked_at.empty()) fs::remove_all(looked_at, ignored);
}

Result<> Ledger::Store::refresh() {
  auto s = Statement::make(db,
                           "SELECT seq, kind, roll, job, at, body FROM event WHERE seq > ?1 AND "
                           "kind IN ('roll.received', 'frames.wanted', "
                           "'plan.made', 'pass.captured', 'pass.refused', 'sheet.published', "
                           "'proof.remade', 'full.accepted', 'copy.checked', 'verdict.set', 'verdict.cleared', 'audit.done') ORDER BY seq");
  if (!s) return fail(s.error());
  s->bind(1, books.last_seq());
  while (true) {
    const auto row = s->step();
    if (!row) return fail(row.error());
    if (!*row) return {};
    Fact fact = fact_of(*s);
    auto body = core::parse_json(s->text(5), "ledger.sqlite: event " + std::to_string(fact.seq));
    if (!body) return fail(body.error());
    fact.body = std::move(*body);
    books.apply(fact);
  }
}

Result<> Ledger::Store::in_place() const {
  if (!looked_at.empty())
    return fail(Fault::cannot_create,
                archive.string() + ": is looked at only, and nothing can be recorded there");
  if (!db.moved()) return {};
  return fail(Fault::io, archive.string() +
                             ": the archive's folder has vanished or was moved; nothing was "
                             "recorded; bring it back and start again");
}

Result<> Ledger::Store::record(const Json& body, const std::function<Result<Entry>()>& allowed) {
  if (auto r = in_place(); !r) return r;
  Entry entry;
  Named before, after;
  {
    auto t = Transaction::begin(db);
    if (!t) return fail(t.error());
    if (auto r = refresh(); !r) return r;
    const auto told = allowed();
    if (!told) return fail(told.error());
    entry = *told;
    if (const RollBook* book = books.roll(entry.roll)) {
      RollBook then = *book;
      then.apply(
          {.job = entry.job, .kind = entry.kind, .roll = entry.roll, .at = {}, .body = body});
      before = book->named(), after = then.named();
    }
    Named both = after;
    both.insert(before.begin(), before.end());
    if (both != before) {
      if (auto r = put_manifest(entry.roll, both); !r) return r;
    }
    if (auto r = append(db, entry.kind, entry.roll, entry.job, body); !r) return r;
    if (auto r = t->commit(); !r) return r;
  }
  if (auto r = refresh(); !r) return r;
  if (std::any_of(before.begin(), before.end(),
                  [&](const auto& f) { return !after.count(f.first); })) {
    if (auto r = put_manifest(entry.roll, after); !r) return r;
  }
  // The fact is recorded whether or not it can be copied as well; the copy before stays until the
  // next one.
  const bool small = entry.kind == kind::overlap_checked || entry.kind == kind::verdict_set || entry.kind == kind::verdict_cleared;
  if (kind::is_reserved(entry.kind) && !small) (void)copy();
  return {};
}

Result<> Ledger::Store::copy() {
  auto t = Transaction::begin(db);
  if (!t) return fail(t.error());
  const auto bytes = db.bytes();
  if (!bytes) return fail(bytes.error());
  return core::write_file(archive / copy_name, *bytes);
}

namespace {

/// Locks rolls/ for `how`; -1 when another has it.
Result<int> lock_rolls(const fs::path& archive, int how) {
  const fs::path rolls = archive / "rolls";
  const int fd = ::open(rolls.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (fd < 0)
    return fail(Fault::io, rolls.string() + ": cannot be opened: " + std::strerror(errno));
  if (::flock(fd, how | LOCK_NB) == 0) return fd;
  const bool taken = errno == EWOULDBLOCK;
  ::close(fd);
  if (taken) return -1;
  return fail(Fault::io, rolls.string() + ": cannot be locked");
}

}  // namespace

Result<> Ledger::Store::claim() {
  if (lock_fd >= 0) return {};
  // One that only asks whether a station works holds it for no time.
  for (int again = 0; again < 10; ++again) {
    const auto fd = lock_rolls(archive, LOCK_EX);
    if (!fd) return fail(fd.error());
    lock_fd = *fd;
    if (lock_fd >= 0) return {};
    ::usleep(20000);
  }
  return fail(Fault::try_again, archive.string() +
                                    ": another station works in this archive; end that one "
                                    "first, or name another archive");
}

bool Ledger::Store::others_claim() const {
  if (lock_fd >= 0) return false;
  const auto fd = lock_rolls(archive, LOCK_SH);
  if (fd && *fd >= 0) ::close(*fd);
  return fd && *fd < 0;
}

Result<const RollBook*> Ledger::Store::roll(const std::string& name) {
  const RollBook* book = books.roll(name);
  if (book) return book;
  std::vector<std::string> known(
      books.order().begin(),
      books.order().begin() +
          static_cast<std::ptrdiff_t>(std::min<std::size_t>(books.order().size(), 12)));
  if (books.order().size() > known.size()) known.push_back("...");
  return fail(Fault::no_input, "no roll is called '" + name + "'; " +
                                   (known.empty() ? "`lapwright roll add` adds one"
                                                  : "there are: " + joined(known)));
}

Result<> Ledger::Store::check_file(const std::string& roll, const File& file) const {
  const auto refuse = [&](const std::string& what) {
    return fail(Fault::bad_data, file.path + ": " + what + "; not recorded");
  };
  const fs::path path(file.path);
  const fs::path folder = fs::path("rolls") / roll;
  const auto inside = std::mismatch(folder.begin(), folder.end(), path.begin(), path.end());
  if (path.lexically_normal() != path || inside.first != folder.end() ||
      inside.second == path.end()) {
    return refuse("a file of roll " + roll + " must lie below " + folder.string());
  }
  if (file.sha256.size() != 64 ||
      file.sha256.find_first_not_of("0123456789abcdef") != std::string::npos) {
    return refuse("'" + file.sha256.substr(0, 70) + "' is not a SHA-256 of 64 hexadecimal digits");
  }
  std::error_code trouble;
  const std::uint64_t size = fs::file_size(archive / path, trouble);
  if (trouble) return refuse("not on disk");
  if (size != file.bytes)
    return refuse(std::to_string(size) + " bytes on disk, " + std::to_string(file.bytes) + " told");
  return {};
}

Ledger::Ledger(std::unique_ptr<Store> store) : store_(std::move(store)) {}
Ledger::Ledger(Ledger&&) noexcept = default;
Ledger::~Ledger() = default;

const std::string& Ledger::restored() const { return store_->restored; }

Result<> Ledger::add_roll(const Roll& roll) {
  if (auto r = archive::check_roll_name(roll.name); !r) return r;
  const Json body = {
      {"sleeve", roll.sleeve}, {"stock", roll.stock}, {"shot", roll.shot}, {"note", roll.note}};
  return store_->record(body, [&]() -> Result<Store::Entry> {
    if (const RollBook* there = store_->books.roll(roll.name)) {
      return fail(Fault::bad_data, "roll '" + roll.name + "' was already added on " +
                                       there->roll.added.substr(0, 10) +
                                       "; give this one another name");
    }
    return Store::Entry{kind::roll_received, roll.name, 0};
  });
}

Result<std::vector<Roll>> Ledger::rolls() {
  if (auto r = store_->refresh(); !r) return fail(r.error());
  std::vector<Roll> out;
  for (const std::string& name : store_->books.order())
    out.push_back(store_->books.roll(name)->roll);
  return out;
}

Result<RollState> Ledger::state(const std::string& roll) {
  if (auto r = store_->refresh(); !r) return fail(r.error());
  const auto book = store_->roll(roll);
  if (!book) return fail(book.error());
  const RollBook& b = **book;
  RollState state{b.roll,  b.proofed(), b.proofed_at, static_cast<int>(b.frames.size()), {},
                  b.due(), {}, {}, {}, b.audited};
  for (const auto& [frame, ppi] : b.full_ppi) state.at_full.push_back(frame);
  std::sort(state.at_full.begin(), state.at_full.end(), frame_order);
  for (const auto& [path, file] : b.named()) state.files.push_back(file);
  const std::string now = b.copy_mark();
  for (const auto& [place, copy] : b.copies)
    state.copies.push_back({place, copy.at, copy.mark == now});
  for (const std::string& frame : b.frames)
    if (const auto said = b.verdicts.find(frame); said != b.verdicts.end()) state.verdicts.insert(*said);
  return state;
}

std::vector<std::string> RollState::selects() const {
  std::vector<std::string> out;
  for (const auto& [frame, word] : verdicts)
    if (word == "select") out.push_back(frame);
  std::sort(out.begin(), out.end(), frame_order);
  return out;
}

std::vector<std::string> RollState::missing() const {
  std::vector<std::string> out = selects();
  std::erase_if(out, [&](const std::string& f) { return std::find(at_full.begin(), at_full.end(), f) != at_full.end(); });
  return out;
}

Result<std::vector<RollState>> Ledger::states() {
  if (auto r = store_->refresh(); !r) return fail(r.error());
  std::vector<RollState> out;
  for (const std::string& name : store_->books.order()) {
    auto one = state(name);
    if (!one) return fail(one.error());
    out.push_back(std::move(*one));
  }
  return out;
}

Result<> Ledger::want(const std::string& roll, const std::vector<std::string>& frames, Ppi ppi) {
  if (ppi.value < 0 || ppi.value > 25400)
    return fail(Fault::bad_data, std::to_string(ppi.value) + " ppi: must be from 1 to 25400");
  if (frames.empty()) return fail(Fault::bad_data, "no frames were named; name some, or all");
  const bool all = std::find(frames.begin(), frames.end(), "all") != frames.end();
  const Json body = {{"frames", all ? Json::array({"all"}) : Json(frames)}, {"ppi", ppi.value}};
  return store_->record(body, [&]() -> Result<Store::Entry> {
    const auto found = store_->roll(roll);
    if (!found) return fail(found.error());
    const RollBook& book = **found;
    for (const std::string& f : frames) {
      if (f == "all") continue;
      if (book.proofed() &&
          std::find(book.frames.begin(), book.frames.end(), f) == book.frames.end()) {
        return fail(Fault::bad_data,
                    "roll " + roll + " has no frame " + f + "; " +
                        (book.frames.empty() ? "none was found on its proof, so ask for all"
                                             : "on its proof there are: " + joined(book.frames)));
      }
      if (!book.proofed() && !plain_frame(f)) {
        return fail(Fault::bad_data,
                    "'" + f + "' is not a frame's name; 7, 12A or all would be right");
      }
    }
    return Store::Entry{kind::frames_wanted, roll, 0};
  });
}

Result<std::vector<Want>> Ledger::due() {
  if (auto r = store_->refresh(); !r) return fail(r.error());
  std::vector<std::pair<std::int64_t, Want>> found;
  for (const std::string& name : store_->books.order()) {
    for (const OpenJob& job : store_->books.roll(name)->full)
      found.emplace_back(job.id, Want{name, job.frames, job.ppi, job.asked});
  }
  std::sort(found.begin(), found.end(),
            [](const auto& a, const auto& b) { return a.first < b.first; });
  std::vector<Want> out;
  for (auto& [id, want] : found) out.push_back(std::move(want));
  return out;
}

Result<std::optional<Job>> Ledger::next_job(const std::vector<std::int64_t>& skipped) {
  if (auto r = store_->in_place(); !r) return fail(r.error());
  if (auto r = store_->refresh(); !r) return fail(r.error());
  // Unfinished before proofs before wants, each by the event that called for it.
  const OpenJob* best = nullptr;
  const RollBook* of = nullptr;
  std::pair<int, std::int64_t> best_rank;
  const auto consider = [&](const RollBook& book, const OpenJob& job, int rank) {
    if (std::find(skipped.begin(), skipped.end(), job.id) != skipped.end()) return;
    const std::pair<int, std::int64_t> key{job.begun() ? 0 : rank, job.id};
    if (!best || key < best_rank) best = &job, of = &book, best_rank = key;
  };
  for (const std::string& name : store_->books.order()) {
    const RollBook& book = *store_->books.roll(name);
    if (book.proof) {
      consider(book, *book.proof, 1);
      continue;  // frames are found on the proof, so it comes first
    }
    for (const OpenJob& job : book.full) consider(book, job, 2);
  }
  if (!best) return std::optional<Job>();
  Job job;
  job.id = best->id;
  job.kind = of->proof && best == &*of->proof ? JobKind::proof : JobKind::full;
  job.roll = of->roll;
  job.ppi = best->ppi;
  job.frames = of->still_wanted(*best);
  job.plan = best->plan;
  for (const auto& [pass, captured] : best->captured) {
    std::error_code trouble;
    const auto size = fs::file_size(store_->archive / captured.file.path, trouble);
    if (!trouble && size == captured.file.bytes) job.captured.push_back(captured);
  }
  for (const auto& [path, file] : of->named()) job.named.insert(path);
  return std::optional<Job>(std::move(job));
}

namespace {

/// The open job, or why nothing can be recorded for it.
Result<std::string> roll_of_job(const Books& books, std::int64_t id) {
  const RollBook* book = nullptr;
  if (books.job(id, &book)) return book->roll.name;
  return fail(Fault::bad_data,
              "job " + std::to_string(id) +
                  " is not open: it is finished, or nothing called for it; not recorded");
}

}  // namespace

Result<> Ledger::job_planned(std::int64_t job, const Json& plan, int keeps) {
  Json body = {{"plan", plan}};
  if (keeps > 0) body["keeps"] = keeps;
  return store_->record(body, [&]() -> Result<Store::Entry> {
    const auto roll = roll_of_job(store_->books, job);
    if (!roll) return fail(roll.error());
    return Store::Entry{kind::plan_made, *roll, job};
  });
}

Result<> Ledger::about_to_capture(std::int64_t job, int pass) {
  if (auto r = store_->in_place(); !r) return r;
  if (auto r = store_->refresh(); !r) return r;
  const OpenJob* open = store_->books.job(job);
  if (!open || !open->captured.count(pass)) return {};
  return pass_refused(job, pass, "its file is gone or has another size");
}

Result<> Ledger::pass_captured(std::int64_t job, int pass, const File& file, const Json& capture) {
  return store_->record({{"pass", pass}, {"file", to_json(file)}, {"capture", capture}},
                        [&]() -> Result<Store::Entry> {
                          const auto roll = roll_of_job(store_->books, job);
                          if (!roll) return fail(roll.error());
                          if (pass < 1)
                            return fail(Fault::bad_data, "pass " + std::to_string(pass) +
                                                             ": passes count from 1; not recorded");
                          if (auto r = store_->check_file(*roll, file); !r) return fail(r.error());
                          if (const auto infrared = infrared_of(capture))
                            if (auto r = store_->check_file(*roll, *infrared); !r)
                              return fail(r.error());
                          return Store::Entry{kind::pass_captured, *roll, job};
                        });
}

Result<> Ledger::pass_refused(std::int64_t job, int pass, const std::string& why) {
  return store_->record({{"pass", pass}, {"why", why}}, [&]() -> Result<Store::Entry> {
    const auto roll = roll_of_job(store_->books, job);
    if (!roll) return fail(roll.error());
    return Store::Entry{kind::pass_refused, *roll, job};
  });
}

Result<> Ledger::lap_checked(std::int64_t job, const Json& report) {
  return store_->record({{"report", report}}, [&]() -> Result<Store::Entry> {
    const auto roll = roll_of_job(store_->books, job);
    if (!roll) return fail(roll.error());
    return Store::Entry{kind::overlap_checked, *roll, job};
  });
}

Result<> Ledger::proof_done(std::int64_t job, const std::vector<File>& files, const Json& frames) {
  return store_->record(
      {{"files", list(files)}, {"frames", frames}}, [&]() -> Result<Store::Entry> {
        const auto roll = roll_of_job(store_->books, job);
        if (!roll) return fail(roll.error());
        const RollBook& book = *store_->books.roll(*roll);
        if (!book.proof || book.proof->id != job)
          return fail(Fault::bad_data,
                      "job " + std::to_string(job) + " is not a proof; not recorded");
        for (const File& f : files) {
          if (auto r = store_->check_file(*roll, f); !r) return fail(r.error());
        }
        return Store::Entry{kind::sheet_published, *roll, job};
      });
}

Result<> Ledger::full_done(std::int64_t job, const std::vector<File>& files,
                           const std::vector<std::string>& frames, Ppi ppi, const Json& checks) {
  Json body = {{"files", list(files)}, {"frames", frames}, {"ppi", ppi.value}};
  if (!checks.is_null()) body["checks"] = checks;
  return store_->record(body,
                        [&]() -> Result<Store::Entry> {
                          const auto roll = roll_of_job(store_->books, job);
                          if (!roll) return fail(roll.error());
                          const RollBook& book = *store_->books.roll(*roll);
                          if (book.proof && book.proof->id == job)
                            return fail(Fault::bad_data,
                                        "job " + std::to_string(job) + " is a proof; not recorded");
                          for (const File& f : files) {
                            if (auto r = store_->check_file(*roll, f); !r) return fail(r.error());
                          }
                          return Store::Entry{kind::full_accepted, *roll, job};
                        });
}

Result<Bag> Ledger::copy_roll(const std::string& roll, const fs::path& place) {
  if (auto r = store_->refresh(); !r) return fail(r.error());
  const auto book = store_->roll(roll);
  if (!book) return fail(book.error());
  std::error_code error;
  const fs::path there = fs::weakly_canonical(place, error);
  const std::string below = there.lexically_relative(fs::weakly_canonical(store_->archive, error)).string();
  if (error || below == "." || !below.starts_with(".."))
    return fail(Fault::usage, place.string() + ": lies in the archive itself; a second place is another disk's folder");
  Named files = (*book)->lasting();
  const std::string mark = (*book)->copy_mark();
  // What was marked on the sheet goes along as it is now; the ledger does not name it, since it changes.
  for (const char* name : {archive::marks_name, archive::marks_xmp_name}) {
    const std::string marks = "rolls/" + roll + "/" + name;
    if (const auto sum = core::sha256_of(store_->archive / marks); sum && !files.empty())
      files[marks] = {marks, *sum, fs::file_size(store_->archive / marks, error)};
  }
  auto bag = fill_bag(store_->archive, roll, files, there);
  if (!bag || !bag->whole()) return bag;
  const Json body = {{"place", there.string()}, {"mark", mark}, {"files", bag->files}, {"bytes", bag->bytes}};
  const auto told = store_->record(body, [&]() -> Result<Store::Entry> { return Store::Entry{kind::copy_checked, roll, 0}; });
  if (!told) return fail(told.error());
  return bag;
}

Result<> Ledger::note(const std::string& event, const Json& body) {
  if (event.empty() || kind::is_reserved(event))
    return fail(Fault::internal, "'" + event + "' is not the name of a note");
  return store_->record(body, [&]() -> Result<Store::Entry> { return Store::Entry{event, "", 0}; });
}

Result<> Ledger::verdict(const std::string& roll, const std::string& frame,
                         const std::string& word) {
  Json body = {{"frame", frame}};
  if (!word.empty()) body["verdict"] = word;
  return store_->record(body, [&]() -> Result<Store::Entry> {
    const auto book = store_->roll(roll);
    if (!book) return fail(book.error());
    const auto& frames = (*book)->frames;
    if (std::find(frames.begin(), frames.end(), frame) == frames.end())
      return fail(Fault::bad_data, "roll " + roll + " has no frame " + frame);
    return Store::Entry{word.empty() ? kind::verdict_cleared : kind::verdict_set, roll, 0};
  });
}

}  // namespace lapwright::ledger
