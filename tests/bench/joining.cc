#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fstream>

#include "bench/sections.h"
#include "join/join.h"
#include "raw/tiff.h"

namespace lapwright::bench {
namespace {

namespace fs = std::filesystem;

struct Job {
  int ppi = 2400;
  PassSpec a, b;
  bool resampled = false;
  double lap_top = 0, lap_height = 0;
};

/// Two passes of the whole page's width; at 4800 ppi of 40 mm each, so that a file stays below 2
/// GB.
Job make_job(int ppi, bool resampled, unsigned seed) {
  Job j;
  j.ppi = ppi, j.resampled = resampled;
  const double k = ppi / 25.4, height = ppi > 2400 ? 40 : 150, top = ppi > 2400 ? 130 : 1,
               lap = ppi > 2400 ? 14 : 23;
  Variant v;
  v.seed = seed;
  const Case c = make_case(v, ppi);
  j.a = c.a, j.b = c.b;
  for (PassSpec* p : {&j.a, &j.b}) p->x = 0, p->width = std::floor(216 * k) / k, p->height = height;
  j.a.y = std::floor(top * k) / k;
  j.b.y = std::floor((top + height - lap) * k) / k;
  j.a.carriage.clear();  // pass 1 lies as the sheet does
  if (!resampled) {
    j.b.carriage.clear(), j.b.light = {1, 1, 1};
    j.b.turn = j.b.shift_x = j.b.shift_y = j.b.scale = 0;
  }
  j.lap_top = j.b.y, j.lap_height = j.a.y + j.a.height - j.b.y;
  return j;
}

constexpr int turns = 3;

/// Whole pixels at the left, about a millimetre.
std::int64_t left_out(int ppi) { return ppi / 25; }

join::SheetGeometry sheet_of(const Job& j) {
  const double k = j.ppi / 25.4;
  join::SheetGeometry g;
  // What a turned and shifted pass 2 cannot show at the sides and below is left out.
  g.origin = {j.a.x + static_cast<double>(left_out(j.ppi)) / k, j.a.y}, g.ppi = Ppi{j.ppi};
  g.width = std::llround((j.a.width - 1.5) * k) - left_out(j.ppi),
  g.height = std::llround((j.b.y + j.b.height - j.a.y - 1.5) * k);
  return g;
}

plan::Lap lap_of(const Job& j) {
  const auto um = [](double mm) { return Micrometres::from_mm(mm); };
  plan::Lap lap;
  lap.a = 1, lap.b = 2;
  lap.area = {um(0), um(j.lap_top), um(j.a.width), um(j.lap_height)};
  lap.seam = {plan::Axis::y, um(j.lap_top + j.lap_height / 2), plan::Through::frame};
  return lap;
}

/// How the sheet looks along the seam against pass 1 there, which lies as the sheet does: how much
/// more neighbours across the seam differ (99.9th percentile), and the mean density that pass 2's
/// side is off by. `picture`: parts of the seam, a pixel a pixel, as a rough positive.
Result<Values> look_at_seam(const Job& j, const join::SeamPath& seam, const fs::path& fa,
                            const fs::path& sheet, const fs::path& picture) {
  auto a = raw::Reader::open(fa), s = raw::Reader::open(sheet);
  if (!a) return fail(a.error());
  if (!s) return fail(s.error());
  const std::int64_t w = (*s)->width();
  std::vector<std::int64_t> at;
  for (std::int64_t x = 0; x < w; ++x) {
    const double k = std::clamp((static_cast<double>(x) + 0.5 - seam.first) / seam.step, 0.0,
                                static_cast<double>(seam.at.size() - 1));
    at.push_back(std::llround(seam.at[static_cast<std::size_t>(k)]));
  }
  constexpr std::int64_t near = 6, first_beside = 5, beside = 13, shown = 360;
  const auto [top, bottom] = std::minmax_element(at.begin(), at.end());
  const std::int64_t first = std::max<std::int64_t>(0, *top - shown),
                     end = std::min({*bottom + shown, (*s)->height(), (*a)->height()});
  constexpr std::size_t bins = 4000;
  std::vector<double> sheet_steps(bins), pass_steps(bins);
  const auto count = [](std::vector<double>& in, double before, double now) {
    const double d = std::abs(std::log10(std::max(1.0, before) / std::max(1.0, now)));
    ++in[std::min(bins - 1, static_cast<std::size_t>(d * 2000))];
  };
  const auto length = static_cast<std::size_t>(w * 3);
  std::vector<std::uint16_t> row(length), last(length),
      pass_row(static_cast<std::size_t>((*a)->width() * 3)), pass_last(pass_row);
  constexpr std::int64_t panels = 3, panel = 480;
  std::vector<unsigned char> pixels(static_cast<std::size_t>(panels * panel * 2 * shown * 3));
  double off = 0, n = 0;
  for (std::int64_t y = first; y < end; ++y) {
    if (auto r = (*s)->read(y, 1, row.data()); !r) return fail(r.error());
    if (auto r = (*a)->read(y, 1, pass_row.data()); !r) return fail(r.error());
    for (std::int64_t x = 0; x < w; ++x) {
      const std::int64_t from = y - at[static_cast<std::size_t>(x)];
      const auto i = static_cast<std::size_t>(x * 3 + 1),
                 p = i + static_cast<std::size_t>(left_out(j.ppi) * 3);
      if (from >= -near && from < near && y > first) {
        count(sheet_steps, last[i], row[i]);
        count(pass_steps, pass_last[p], pass_row[p]);
      }
      if (from >= first_beside && from < beside)
        off += std::log10(std::max(1.0, 1.0 * pass_row[p]) / std::max(1.0, 1.0 * row[i])), ++n;
    }
    for (std::int64_t k = 0; k < panels; ++k) {
      const std::int64_t x0 = w * (2 * k + 1) / (2 * panels) - panel / 2,
                         line = y - at[static_cast<std::size_t>(x0 + panel / 2)] + shown;
      if (x0 < 0 || line < 0 || line >= 2 * shown) continue;
      for (std::int64_t i = 0; i < panel * 3; ++i) {
        const double d = -std::log10(
            std::max(1.0, 1.0 * row[static_cast<std::size_t>(x0 * 3 + i)]) / open_counts);
        pixels[static_cast<std::size_t>((line * panels + k) * panel * 3 + i)] =
            static_cast<unsigned char>(std::clamp(d / 2.2 * 255, 0.0, 255.0));
      }
    }
    std::swap(row, last), std::swap(pass_row, pass_last);
  }
  if (!picture.empty()) {
    std::ofstream file(picture, std::ios::binary);
    file << "P6\n" << panels * panel << " " << 2 * shown << "\n255\n";
    file.write(reinterpret_cast<const char*>(pixels.data()),
               static_cast<std::streamsize>(pixels.size()));
  }
  const auto most = [](const std::vector<double>& counts) {
    double all = 0, sum = 0;
    for (const double c : counts) all += c;
    for (std::size_t i = 0; i < bins; ++i)
      if ((sum += counts[i]) >= 0.999 * all) return (static_cast<double>(i) + 0.5) / 2000;
    return 2.0;
  };
  return Values{{"seam_gradient", most(sheet_steps)},
                {"pass_gradient", most(pass_steps)},
                {"seam_step", std::abs(off / n)}};
}

Told join_files(const Job& j, const fs::path& fa, const fs::path& fb, const fs::path& out,
                const fs::path& picture = {}) {
  const PassTruth ta(j.a), tb(j.b);
  const Clock clock;
  auto a = raw::Reader::open(fa), b = raw::Reader::open(fb);
  if (!a || !b) return {{}, (!a ? a.error() : b.error()).text, ""};
  lap::Light light;
  for (std::size_t c = 0; c < 3; ++c) light.gain[c] = j.a.light[c] / j.b.light[c];
  const auto geometry = sheet_of(j);
  auto writer = raw::Writer::create(out, geometry.width, geometry.height, geometry.ppi, {}, 0,
                                    raw::Cached::pass_by);
  if (!writer) return {{}, writer.error().text, ""};
  const std::atomic<bool> never{false};
  const auto done =
      join::join({{a->get(), ta.placement(), {}, 1}, {b->get(), tb.placement(), light, 2}},
                 {lap_of(j)}, geometry, **writer, never);
  if (!done) return {{}, done.error().text, ""};
  const auto written = (*writer)->finish();
  if (!written) return {{}, written.error().text, ""};
  Told t;
  t.values["wall"] = clock.wall(), t.values["cpu"] = clock.cpu();
  t.values["resampled"] = done->resampled ? 1 : 0,
  t.values["uncovered"] = static_cast<double>(done->uncovered_pixels);
  t.values["bytes"] = static_cast<double>(geometry.width * geometry.height * 6);
  if (j.resampled && done->seams.size() == 1) {
    const auto looked = look_at_seam(j, done->seams.front(), fa, out, picture);
    if (!looked) return {{}, looked.error().text, ""};
    t.values.insert(looked->begin(), looked->end());
  }
  return t;
}

/// The fastest of several.
Measured best(Measured a, Measured b) {
  if (!a.failed.empty() || b.at("wall") < a.at("wall"))
    b.peak_mb = std::max(a.peak_mb, b.peak_mb);
  else
    return a.peak_mb = std::max(a.peak_mb, b.peak_mb), a;
  return b;
}

/// Samples of the sheet beside the lap that are not those of the pass files.
Told count_changed(const Job& j, const fs::path& fa, const fs::path& fb, const fs::path& sheet) {
  auto a = raw::Reader::open(fa), b = raw::Reader::open(fb), s = raw::Reader::open(sheet);
  if (!a || !b || !s) return {{}, "a file cannot be read", ""};
  const double k = j.ppi / 25.4;
  const auto lap_first = std::llround((j.lap_top - j.a.y) * k),
             lap_end = lap_first + std::llround(j.lap_height * k);
  const std::int64_t w = (*s)->width();
  std::vector<std::uint16_t> from(static_cast<std::size_t>((*a)->width() * 3)),
      to(static_cast<std::size_t>(w * 3));
  const std::uint16_t* same = from.data() + left_out(j.ppi) * 3;
  double changed = 0;
  for (std::int64_t y = 0; y < (*s)->height(); ++y) {
    if (y >= lap_first && y < lap_end) continue;
    const bool first = y < lap_first;
    if (auto r = first ? (*a)->read(y, 1, from.data()) : (*b)->read(y - lap_first, 1, from.data());
        !r)
      return {{}, r.error().text, ""};
    if (auto r = (*s)->read(y, 1, to.data()); !r) return {{}, r.error().text, ""};
    if (std::memcmp(same, to.data(), static_cast<std::size_t>(w * 6)) != 0)
      for (std::size_t i = 0; i < to.size(); ++i) changed += same[i] != to[i];
  }
  Told t;
  t.values["changed"] = changed;
  return t;
}

double cat(const fs::path& a, const fs::path& b, const fs::path& c) {
  const std::string command = "cat '" + a.string() + "' '" + b.string() + "' > '" + c.string() +
                              "' && sync '" + c.string() + "'";
  const Clock clock;
  const bool ok = std::system(command.c_str()) == 0;
  const double s = clock.wall();
  fs::remove(c);
  return ok ? s : std::nan("");
}

}  // namespace

void joining(const Setting& setting, Figures& figures) {
  const Table table(
      "Join from files to a file that is flushed to the disk; 'cat a b > c; sync c' of the same "
      "passes beside it (the best of three of each, in turns). At 4800 ppi of 40 mm a pass",
      {"ppi", "passes GB", "cat s", "as it lies: s", "cpu s", "x cat", "MB", "resampled: s",
       "cpu s", "x cat", "MB", "ns/px", "libvips merge: s", "x cat", "MB"},
      {5, 9, 7, 13, 6, 6, 6, 12, 7, 6, 6, 6, 16, 6, 6});
  std::map<int, double> memory;
  for (const int ppi : setting.join_ppi) {
    const Job plain = make_job(ppi, false, setting.seed), askew = make_job(ppi, true, setting.seed);
    const auto fa = setting.folder / "pass-1.tif", fb = setting.folder / "pass-2.tif",
               fc = setting.folder / "pass-2-askew.tif", out = setting.folder / "sheet.tif";
    {
      PassMaker maker(ppi, setting.seed, {plain.a, plain.b, askew.b});
      std::string wrong;
      for (std::size_t i = 0; i < 3 && wrong.empty(); ++i)
        wrong = maker.make(i, i == 0 ? fa : i == 1 ? fb : fc);
      if (!wrong.empty()) {
        std::printf("%5d  %s\n", ppi, wrong.c_str());
        continue;
      }
    }
    sync();
    const double gigabytes = static_cast<double>(fs::file_size(fa) + fs::file_size(fb)) / 1e9;
    // In turns, so that what else the machine does meets all of them.
    double disk = 1e300;
    Measured as_it_lies, resampled, changed;
    for (int turn = 0; turn < turns; ++turn) {
      disk = std::min(disk, cat(fa, fb, out));
      sync();
      const Measured plain_once = in_child([&] { return join_files(plain, fa, fb, out); });
      as_it_lies = turn == 0 ? plain_once : best(as_it_lies, plain_once);
      if (turn == 0 && as_it_lies.failed.empty())
        changed = in_child([&] { return count_changed(plain, fa, fb, out); });
      fs::remove(out);
      sync();
      const auto picture =
          setting.keep ? setting.folder / ("seam-" + std::to_string(ppi) + ".ppm") : fs::path();
      const Measured once = in_child([&] { return join_files(askew, fa, fc, out, picture); });
      resampled = turn == 0 ? once : best(resampled, once);
      fs::remove(out);
      sync();
    }
    Measured merged;
    if (setting.with_peers) {
      const double k = ppi / 25.4;
      merged = in_program({setting.peers, "merge", fa, fb, out, "0",
                           std::to_string(-std::llround((plain.b.y - plain.a.y) * k)), "down"});
      fs::remove(out);
      sync();
    }
    table.row({std::to_string(ppi), number(gigabytes, 2), number(disk, 2),
               number(as_it_lies.at("wall"), 2), number(as_it_lies.at("cpu"), 2),
               number(as_it_lies.at("wall") / disk, 2), number(as_it_lies.peak_mb, 0),
               number(resampled.at("wall"), 2), number(resampled.at("cpu"), 2),
               number(resampled.at("wall") / disk, 2), number(resampled.peak_mb, 0),
               number(resampled.at("wall") / resampled.at("bytes") * 6e9, 1),
               number(merged.at("wall"), 2), number(merged.at("wall") / disk, 2),
               number(merged.peak_mb, 0)});
    for (const Measured* m :
         std::initializer_list<const Measured*>{&as_it_lies, &changed, &resampled, &merged})
      if (!m->failed.empty()) std::printf("       %s\n", m->failed.c_str());
    if (as_it_lies.at("uncovered") > 0 || resampled.at("uncovered") > 0)
      std::printf("       pixels that no pass shows: %.0f, %.0f\n", as_it_lies.at("uncovered"),
                  resampled.at("uncovered"));
    figures.expect(
        "join of passes that lie as the sheet does: samples beside the lap that are not the pass's "
        "own",
        changed.at("changed"), 0);
    figures.expect("join, 99.9th percentile of the gradient across the seam over pass 1's there",
                   resampled.at("seam_gradient") / resampled.at("pass_gradient"), 1.05);
    figures.expect("join, mean step in density across the seam, D", resampled.at("seam_step"),
                   0.001);
    memory[ppi] = std::max(as_it_lies.peak_mb, resampled.peak_mb);
    if (ppi == 2400) {
      figures.expect("join at 2400 ppi as it lies, time over cat's", as_it_lies.at("wall") / disk,
                     1.25);
      figures.expect("join at 2400 ppi resampled, time over cat's", resampled.at("wall") / disk, 2);
      figures.expect("join at 2400 ppi, MB", memory[ppi], 128);
    }
    if (ppi == 4800) figures.expect("join at 4800 ppi, MB", memory[ppi], 256);
    if (!setting.keep)
      for (const auto& f : {fa, fb, fc}) fs::remove(f);
  }
  if (memory.count(2400) != 0 && memory.count(4800) != 0)
    figures.expect("join, memory at 4800 ppi over that at 2400 (twice the width)",
                   memory[4800] / memory[2400], 2);
}

}  // namespace lapwright::bench
