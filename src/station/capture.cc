#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "core/clock.h"
#include "core/files.h"
#include "station/assignment.h"
#include "station/early.h"

namespace lapwright::station {
namespace {

Json window_json(const Rect<BedSpace>& w) {
  return {{"x", w.x.mm()}, {"y", w.y.mm()}, {"width", w.width.mm()}, {"height", w.height.mm()}};
}

/// Writes rows to the pass file as they come.
class PassWriter : public bed::Receiver {
 public:
  PassWriter(const std::filesystem::path& file, const plan::Pass& pass, raw::Tags tags,
             Progress& progress, EarlyLap early)
      : file_(file),
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
    auto writer =
        raw::Writer::create(file_, f.width, f.height, f.ppi, tags_, pass_.height.value * 2);
    if (!writer) return fail(writer.error());
    writer_ = std::move(*writer);
    early_.begin(f.width, f.ppi);
    return {};
  }
  Result<> rows(const std::uint16_t* samples, std::int64_t count) override {
    if (auto r = writer_->write(samples, count); !r) return r;
    progress_.line += count;
    progress_.bytes += count * width_ * core::bytes_per_pixel;
    wrong_ = early_.rows(samples, count);
    if (wrong_) return fail(Fault::cancelled, wrong_->why);
    return {};
  }
  const std::optional<lap::Report>& wrong() const { return wrong_; }
  Result<raw::Written> finish() {
    if (!writer_) return fail(Fault::io, "the flatbed gave no rows");
    early_.settle();  // else the file would stand under its name, in no ledger, for that long
    return writer_->finish();
  }

 private:
  std::filesystem::path file_;
  const plan::Pass& pass_;
  raw::Tags tags_;
  Progress& progress_;
  EarlyLap early_;
  std::optional<lap::Report> wrong_;
  std::unique_ptr<raw::Writer> writer_;
  std::int64_t width_ = 0;
  Ppi ppi_;
};

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
  PassWriter writer(file, pass, tags, progress, EarlyLap(s, a, number));
  auto captured = bed.capture(
      {.device = s.device, .window = pass.window, .ppi = a.plan.ppi, .options = s.bed.options},
      writer, stop);
  early = writer.wrong();
  if (!captured) return fail(captured.error());
  auto written = writer.finish();
  if (!written) return fail(written.error());
  const bed::Format& f = captured->format;
  Json options = Json::object();
  for (const auto& [name, value] : captured->got) options[name] = value;
  Json asked = Json::object();
  for (const auto& [name, value] : captured->asked) asked[name] = value;
  const Json record = {{"device", s.device},
                       {"vendor", s.identity.vendor},
                       {"model", s.identity.model},
                       {"ppi", f.ppi.value},
                       {"window", window_json(f.window)},
                       {"width", f.width},
                       {"height", written->height},
                       {"started", captured->started},
                       {"finished", captured->finished},
                       {"seconds", captured->seconds},
                       {"asked", asked},
                       {"options", options}};
  const ledger::File named{std::filesystem::relative(written->path, s.archive).generic_string(),
                           written->sha256, written->bytes};
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

Result<frames::Look> look(const Setting& s, bed::Bed& bed, const Assignment& a, int number, Ppi ppi,
                          const std::atomic<bool>& stop) {
  Keeper keeper;
  auto captured = bed.capture(
      {.device = s.device, .window = s.bed.window, .ppi = ppi, .options = s.bed.options}, keeper,
      stop);
  if (!captured) return fail(captured.error());
  const bed::Format& f = captured->format;
  image::Rgb16 picture(f.width, static_cast<std::int64_t>(keeper.samples.size()) / (f.width * 3));
  std::copy_n(keeper.samples.begin(), picture.width() * picture.height() * 3, picture.row(0));
  image::MemorySource source(picture, f.ppi);
  return lies(a, number, source,
              {f.window.x, f.window.y, to_micrometres({picture.width()}, f.ppi),
               to_micrometres({picture.height()}, f.ppi)});
}

Result<frames::Look> lies(const Assignment& a, int number, image::RowSource& picture,
                          const Rect<BedSpace>& window) {
  const plan::Pass& pass = a.pass(number);
  auto look =
      frames::find_lay(picture, window, pass.lay.sleeve_to_bed, pass.covers, a.sleeve);
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
