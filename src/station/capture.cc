#include <algorithm>
#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>

#include "core/clock.h"
#include "core/files.h"
#include "join/average.h"
#include "lap/same_lay.h"
#include "station/assignment.h"
#include "station/early.h"
#include "station/pass_note.h"

namespace lapwright::station {
namespace {

/// Writes rows to the pass file as they come.
class PassWriter : public bed::Receiver {
 public:
  PassWriter(core::NewFile file, const plan::Pass& pass, raw::Tags tags, Progress& progress,
             EarlyLap early)
      : file_(std::move(file)),
        pass_(pass),
        tags_(std::move(tags)),
        progress_(progress),
        early_(std::move(early)) {}

  void busy() override {
    if (progress_.busy) progress_.busy();
  }
  Result<> begin(const bed::Format& f) override {
    // Beds round windows by some pixels; a window that is smaller by more than the margin would cut
    // film off.
    const double spare = 1.5;  // mm of the 2 mm that the plan keeps around every strip
    const auto& w = pass_.window;
    const double short_mm = std::max(
        {w.width.mm() - static_cast<double>(f.width) * f.ppi.mm_per_pixel(),
         f.height < 0 ? 0.0 : w.height.mm() - static_cast<double>(f.height) * f.ppi.mm_per_pixel(),
         f.window.x.mm() - w.x.mm(), f.window.y.mm() - w.y.mm()});
    if (short_mm > spare)
      return fail(Fault::bad_data,
                  "the flatbed gave a window that is " + std::to_string(short_mm).substr(0, 5) +
                      " mm short of the plan's; correct `window` or `limits` in the bed profile");
    width_ = f.width;
    ppi_ = f.ppi;
    progress_.of = f.height < 0 ? pass_.height.value : f.height;
    auto writer = raw::Writer::create(std::move(file_), f.width, f.height, f.ppi, tags_,
                                      pass_.height.value * 2);
    if (!writer) return fail(writer.error());
    writer_ = std::move(*writer);
    early_.begin(f.width, f.ppi);
    return {};
  }
  Result<> rows(const std::uint16_t* samples, std::int64_t count) override {
    if (auto r = writer_->write(samples, count); !r) return r;
    rows_ += count;
    progress_.line += count;
    progress_.bytes += count * width_ * core::bytes_per_pixel;
    wrong_ = early_.rows(samples, count);
    if (wrong_) return fail(Fault::cancelled, wrong_->why);
    return {};
  }
  const std::optional<lap::Report>& wrong() const { return wrong_; }
  std::int64_t height() const { return rows_; }
  Result<raw::Written> finish(const std::string& note) {
    if (!writer_) return fail(Fault::io, "the flatbed gave no rows");
    early_.settle();  // else the file would stand under its name, in no ledger, for that long
    return writer_->finish(note);
  }

 private:
  core::NewFile file_;  // until the picture's size is known
  const plan::Pass& pass_;
  raw::Tags tags_;
  Progress& progress_;
  EarlyLap early_;
  std::optional<lap::Report> wrong_;
  std::unique_ptr<raw::Writer> writer_;
  std::int64_t width_ = 0, rows_ = 0;
  Ppi ppi_;
};

/// Writes the rows of one more picture under the same lay as they come.
class MoreWriter : public bed::Receiver {
 public:
  MoreWriter(std::filesystem::path file, const plan::Pass& pass, raw::Tags tags,
                 Progress& progress)
      : file_(std::move(file)), pass_(pass), tags_(std::move(tags)), progress_(progress) {}
  Result<> begin(const bed::Format& f) override {
    progress_.line = 0, progress_.of = f.height < 0 ? pass_.height.value : f.height;
    width_ = f.width;
    auto writer =
        raw::Writer::create(file_, f.width, f.height, f.ppi, tags_, pass_.height.value * 2);
    if (!writer) return fail(writer.error());
    writer_ = std::move(*writer);
    return {};
  }
  Result<> rows(const std::uint16_t* samples, std::int64_t count) override {
    progress_.line += count;
    progress_.bytes += count * width_ * core::bytes_per_pixel;
    return writer_->write(samples, count);
  }
  Result<raw::Written> finish(const std::string& note) {
    if (!writer_) return fail(Fault::io, "the flatbed gave no rows");
    return writer_->finish(note);
  }

 private:
  std::filesystem::path file_;
  const plan::Pass& pass_;
  raw::Tags tags_;
  Progress& progress_;
  std::unique_ptr<raw::Writer> writer_;
  std::int64_t width_ = 0;
};

Json pairs_json(const std::vector<std::pair<std::string, std::string>>& pairs) {
  Json out = Json::object();
  for (const auto& [name, value] : pairs) out[name] = value;
  return out;
}

/// The same lay by infrared light, and where it lies on the visible picture; as the ledger keeps
/// it.
Result<Json> capture_infrared(const Setting& s, bed::Bed& bed, const Assignment& a, int number,
                              const std::filesystem::path& visible, raw::Tags tags,
                              Progress& progress, const std::atomic<bool>& stop) {
  tags.page += " infrared";
  MoreWriter writer(a.infrared_file(s, number), a.pass(number), tags, progress);
  auto captured = bed.capture({.device = s.device,
                               .window = a.pass(number).window,
                               .ppi = a.plan.ppi,
                               .options = s.bed.options,
                               .light = bed::Light::infrared},
                              writer, stop);
  if (!captured) return fail(captured.error().fault, "infrared: " + captured.error().text);
  auto written = writer.finish("infrared");
  if (!written) return fail(written.error());
  Json out = {{"file",
               {{"path", std::filesystem::relative(written->path, s.archive).generic_string()},
                {"sha256", written->sha256},
                {"bytes", written->bytes}}},
              {"started", captured->started},
              {"finished", captured->finished},
              {"seconds", captured->seconds},
              {"options", pairs_json(captured->got)}};
  auto first = raw::Reader::open(visible), second = raw::Reader::open(written->path);
  if (!first) return fail(first.error());
  if (!second) return fail(second.error());
  const auto lies = lap::same_lay(**first, **second);
  if (!lies) return fail(lies.error());
  if (!*lies) return out;
  const auto& m = (*lies)->a_to_b;
  out["from_visible"] = {m.a, m.b, m.c, m.d, m.e, m.f};
  out["residual_px"] = (*lies)->residual_px, out["places"] = (*lies)->places;
  return out;
}

/// Where another capture of the same lay shows what the first does, the carriage's wobble included where there is picture enough to
/// measure it by. Told in `others`.
Result<std::optional<lap::Placement>> again_lies(const Assignment& a, int number, raw::Reader& first, raw::Reader& again, Json& others) {
  const auto planned = core::compose(core::mm_to_pixels<BedSpace, PassSpace>({a.pass(number).window.x.mm(), a.pass(number).window.y.mm()}, first.ppi()),
                                     a.pass(number).lay.sleeve_to_bed);
  const auto report = lap::check({&first, planned, 1}, {.affine = planned, .dx = {}, .dy = {}}, {&again, planned, 2}, a.sleeve);
  if (!report) return fail(report.error());
  constexpr double most_residual_mm = 0.02;
  if (report->located && report->residual_px * first.ppi().mm_per_pixel() < most_residual_mm) {
    others.push_back({{"by", "curves"}, {"residual_px", report->residual_px}, {"shift_px", {report->shift_px[0], report->shift_px[1]}}});
    return std::optional(join::on_first(report->b_on_sleeve, planned, first.ppi()));
  }
  const auto lies = lap::same_lay(first, again, 1, lap::SecondLight::same);
  if (!lies) return fail(lies.error());
  if (!*lies) {
    others.push_back({{"left_out", "it could not be registered to the first"}});
    return std::optional<lap::Placement>();
  }
  const auto& m = (*lies)->a_to_b;
  others.push_back({{"by", "shift"}, {"residual_px", (*lies)->residual_px}, {"shift_px", {m.e, m.f}}});
  lap::Placement out;
  out.affine = core::compose(m, core::mm_to_pixels<SleeveSpace, PassSpace>({}, first.ppi()));
  return std::optional(out);
}

/// More captures of the same lay, and the mean of all under the pass's own name. What is told of them goes into `record`;
/// one that cannot be registered to the first is left out.
Result<raw::Written> capture_more(const Setting& s, bed::Bed& bed, const Assignment& a, int number, const std::filesystem::path& first,
                                  const raw::Tags& tags, const std::function<std::string()>& note, Json& record, Progress& progress,
                                  const std::atomic<bool>& stop) {
  std::vector<std::filesystem::path> files{first};
  const auto swept = [&] {
    for (const auto& file : files) (void)core::remove_file(file);  // one that stays goes at the next start
  };
  const auto made = [&]() -> Result<raw::Written> {
    Json others = Json::array();
    for (int n = 2; n <= a.captures(s); ++n) {
      std::filesystem::path file = first;
      file.replace_filename(a.pass_file(s, number).stem().string() + "-again-" + std::to_string(n) + ".tif");
      files.push_back(file);
      MoreWriter writer(file, a.pass(number), tags, progress);
      auto captured = bed.capture({.device = s.device, .window = a.pass(number).window, .ppi = a.plan.ppi, .options = s.bed.options}, writer, stop);
      if (!captured) return fail(captured.error().fault, "capture " + std::to_string(n) + " of " + std::to_string(a.captures(s)) + ": " + captured.error().text);
      if (auto r = writer.finish("capture " + std::to_string(n)); !r) return fail(r.error());
    }
    auto base = raw::Reader::open(first);
    if (!base) return fail(base.error());
    std::vector<std::unique_ptr<raw::Reader>> readers;
    std::vector<join::Again> pictures;
    for (std::size_t n = 1; n < files.size(); ++n) {
      auto reader = raw::Reader::open(files[n]);
      if (!reader) return fail(reader.error());
      const auto lies = again_lies(a, number, **base, **reader, others);
      if (!lies) return fail(lies.error());
      if (!*lies) continue;
      pictures.push_back({reader->get(), **lies});
      readers.push_back(std::move(*reader));
    }
    record["averaged"] = pictures.size() + 1, record["others"] = others;
    auto writer = raw::Writer::create(a.pass_file(s, number), (*base)->width(), (*base)->height(), (*base)->ppi(), tags);
    if (!writer) return fail(writer.error());
    if (auto r = join::average(**base, pictures, **writer, stop); !r) return fail(r.error());
    const std::string mean = "mean of " + std::to_string(pictures.size() + 1) + " captures", of_pass = note();
    return (*writer)->finish(of_pass.empty() ? mean : of_pass);
  }();
  swept();
  return made;
}

/// Keeps a small picture in memory.
class Keeper : public bed::Receiver {
 public:
  Result<> begin(const bed::Format& f) override {
    format = f;
    samples.clear();
    return {};
  }
  Result<> rows(const std::uint16_t* data, std::int64_t count) override {
    if (samples.size() > (std::size_t{256} << 20))
      return fail(Fault::bad_data, "the quick look is larger than it may be");
    samples.insert(samples.end(), data, data + count * format.width * 3);
    return {};
  }
  bed::Format format;
  std::vector<std::uint16_t> samples;
};

/// A sleeve that is not full may have a pass of empty pockets.
bool may_show_no_film(const Assignment& a) {
  return a.job.kind == ledger::JobKind::proof && a.plan.passes.size() > 1;
}

}  // namespace

KeptPass kept_pass(const plan::Pass& pass, const ledger::File& file, const Json& capture);

Result<KeptPass> capture(const Setting& s, bed::Bed& bed, const Assignment& a, int number,
                         Progress& progress, const std::atomic<bool>& stop,
                         std::optional<lap::Report>& early) {
  const plan::Pass& pass = a.pass(number);
  const auto file = a.pass_file(s, number);
  if (auto r = core::sweep_partials(file.parent_path()); !r) return fail(r.error());
  raw::Tags tags{.roll = a.job.roll.name,
                 .page = "pass " + std::to_string(number),
                 .make = s.identity.vendor,
                 .model = s.identity.model,
                 .date_time = {},
                 .note = {}};
  // Before the lamp starts: the room that the plan counts on.
  std::filesystem::path first = file;
  if (a.captures(s) > 1) first.replace_filename(file.stem().string() + "-again-1.tif");
  auto room = core::NewFile::create(first, static_cast<std::uint64_t>(pass.bytes));
  if (!room) return fail(room.error());
  PassWriter writer(std::move(*room), pass, tags, progress, EarlyLap(s, a, number));
  auto captured = bed.capture(
      {.device = s.device, .window = pass.window, .ppi = a.plan.ppi, .options = s.bed.options},
      writer, stop);
  early = writer.wrong();
  if (!captured) return fail(captured.error());
  const bed::Format& f = captured->format;
  Json record = {{"device", captured->device},
                 {"vendor", s.identity.vendor},
                 {"model", s.identity.model},
                 {"ppi", f.ppi.value},
                 {"window", plan::rect_json(f.window)},
                 {"width", f.width},
                 {"height", writer.height()},
                 {"started", captured->started},
                 {"finished", captured->finished},
                 {"seconds", captured->seconds},
                 {"asked", pairs_json(captured->asked)},
                 {"options", pairs_json(captured->got)}};
  // With infrared to come the pass is whole only with it: what a kill leaves before is no pass.
  const auto note = [&] { return a.takes_infrared(s) ? std::string() : pass_note({a.job.roll.name, a.job.id, number, a.plan_mark, record}); };
  auto written = writer.finish(a.captures(s) > 1 ? std::string("capture 1") : note());
  if (written && a.captures(s) > 1) written = capture_more(s, bed, a, number, first, tags, note, record, progress, stop);
  if (!written) return fail(written.error());
  const ledger::File named{std::filesystem::relative(written->path, s.archive).generic_string(),
                           written->sha256, written->bytes};
  if (a.takes_infrared(s)) {
    auto infrared = capture_infrared(s, bed, a, number, written->path, tags, progress, stop);
    if (!infrared) {
      (void)core::remove_file(written->path);  // one that stays goes at the next start
      return fail(infrared.error());
    }
    record["infrared"] = *infrared;
  }
  return kept_pass(pass, named, record);
}

std::optional<Ppi> look_ppi(const Setting& s, const Assignment& a, int number) {
  std::optional<Ppi> best;
  for (const Ppi p : s.bed.ppi)
    if (p.value >= 75 && p.value <= 400 && !best) best = p;
  if (!best) return {};
  const auto lines = to_pixels(s.bed.window.height, *best);
  if (s.bed.seconds(*best, lines) * 3 > a.pass(number).seconds) return {};
  return best;
}

Result<LookPicture> look_picture(const Setting& s, bed::Bed& bed, Ppi ppi,
                                 const std::atomic<bool>& stop) {
  Keeper keeper;
  auto captured = bed.capture(
      {.device = s.device, .window = s.bed.window, .ppi = ppi, .options = s.bed.options}, keeper,
      stop);
  if (!captured) return fail(captured.error());
  const bed::Format& f = captured->format;
  image::Rgb16 picture(f.width, static_cast<std::int64_t>(keeper.samples.size()) / (f.width * 3));
  std::copy_n(keeper.samples.begin(), picture.width() * picture.height() * 3, picture.row(0));
  const Rect<BedSpace> window{f.window.x, f.window.y, to_micrometres({picture.width()}, f.ppi),
                              to_micrometres({picture.height()}, f.ppi)};
  return LookPicture{std::move(picture), f.ppi, window};
}

Result<frames::Look> look(const Setting& s, bed::Bed& bed, const Assignment& a, int number, Ppi ppi,
                          const std::atomic<bool>& stop) {
  const auto seen = look_picture(s, bed, ppi, stop);
  if (!seen) return fail(seen.error());
  image::MemorySource source(seen->picture, seen->ppi);
  return lies(a, number, source, seen->window);
}

Result<frames::Look> lies(const Assignment& a, int number, image::RowSource& picture,
                          const Rect<BedSpace>& window) {
  const plan::Pass& pass = a.pass(number);
  auto look = frames::find_lay(picture, window, pass.lay.sleeve_to_bed, pass.covers, a.sleeve);
  if (look && !look->film && may_show_no_film(a))
    look->say += " If its pockets here are empty, leave it and press the key again.";
  return look;
}

bool acceptable(Assignment& a, int number, const frames::Look& look) {
  const bool told_before = a.no_film == number;
  if (told_before || !look.film) a.no_film = look.film ? 0 : number;
  if (!look.film) return told_before && may_show_no_film(a);
  if (!look.found) return false;
  if (look.covers_needed || look.say.empty()) return true;
  // The strips' edges show a turn even where the pockets leave more than one answer.
  constexpr double may_be_askew_degrees = 3;
  if (std::abs(look.off_degrees) > may_be_askew_degrees) return false;
  if (!look.certain) return true;
  // A hand misses by some millimetres; film is asked for again only when more of it is cut off than
  // strips are longer than frames.
  constexpr double may_be_cut_mm = 2.5;
  const plan::Pass& pass = a.pass(number);
  const Rect<SleeveSpace> block = a.sleeve.block();
  const Micrometres lap_spare{5000};
  const auto& c = pass.covers;
  const Micrometres left = c.x <= block.x ? block.x : c.x + lap_spare,
                    top = c.y <= block.y ? block.y : c.y + lap_spare;
  const Micrometres right = c.right() >= block.right() ? block.right() : c.right() - lap_spare;
  const Micrometres bottom = c.bottom() >= block.bottom() ? block.bottom() : c.bottom() - lap_spare;
  const Rect<SleeveSpace> film{left, top, right - left, bottom - top};
  const auto& w = pass.window;
  double cut = 0;
  for (int i = 0; i < 4; ++i) {
    const Spot<BedSpace> p = look.lay(
        {(i & 1) ? film.right().mm() : film.x.mm(), (i & 2) ? film.bottom().mm() : film.y.mm()});
    cut = std::max(
        {cut, w.x.mm() - p.x, p.x - w.right().mm(), w.y.mm() - p.y, p.y - w.bottom().mm()});
  }
  return cut <= may_be_cut_mm;
}

}  // namespace lapwright::station
