#include "bench/cases.h"

#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cstring>
#include <memory>
#include <optional>

#include "raw/tiff.h"
#include "support/film_scene.h"

namespace lapwright::bench {

profile::SleeveProfile bench_sleeve() { return support::sleeve_135_7x5(); }

std::vector<Variant> standard_variants() {
  std::vector<Variant> out;
  const auto add = [&](const std::string& name, LapKind lap, const auto& change) {
    Variant v;
    v.name = name, v.lap = lap;
    change(v);
    out.push_back(v);
  };
  const auto rare = [](Variant& v) { v.at_all_ppi = false; };
  const auto watched = [](Variant& v) { v.peers = true; };
  add("across", LapKind::across, watched);
  add("along", LapKind::along, watched);
  add("across, turned 180", LapKind::across, [](Variant& v) { v.turn = 180, v.peers = true; });
  add("along, turned 180", LapKind::along, [](Variant& v) { v.turn = 180; });
  add("across, turned 90", LapKind::across, [](Variant& v) { v.turn = 90; });
  add("across, gutter and two strips", LapKind::across,
      [&](Variant& v) { v.gutter = true, rare(v); });
  add("across, no wobble", LapKind::across, [&](Variant& v) { v.wobble = false, rare(v); });
  add("across, noise x 3", LapKind::across, [&](Variant& v) { v.noise = 3, rare(v); });
  add("across, dust x 3", LapKind::across, [&](Variant& v) { v.dust = 1.5, rare(v); });
  add("across, sideways 20 um too", LapKind::across,
      [&](Variant& v) { v.sideways_um = 20, rare(v); });
  add("across, turned 180, lens 20 um", LapKind::across,
      [&](Variant& v) { v.lens_um = 20, v.turn = 180, rare(v); });
  add("across, gear 10 um at 5 mm", LapKind::across,
      [](Variant& v) { v.gear_um = 10, v.gear_mm = 5; });
  add("across, gear 3 um at 1.6 mm", LapKind::across,
      [](Variant& v) { v.gear_um = 3, v.gear_mm = 1.6; });
  add("along, gear 10 um at 5 mm", LapKind::along,
      [](Variant& v) { v.gear_um = 10, v.gear_mm = 5; });
  add("along, gear 3 um at 1.6 mm", LapKind::along,
      [](Variant& v) { v.gear_um = 3, v.gear_mm = 1.6; });
  add("along, strip 3 slid 0.05 mm", LapKind::along, [](Variant& v) { v.slid_mm = {0, 0, 0.05}; });
  add("along, strips 2, 5 slid 0.2, -0.3 mm", LapKind::along, [](Variant& v) {
    v.slid_mm = {0, 0.2, 0, 0, -0.3};
  });
  add("along, strips 1, 4, 6 slid 2, -1.2, 0.1 mm", LapKind::along,
      [](Variant& v) { v.slid_mm = {2, 0, 0, -1.2, 0, 0.1}; });
  // Of two strips that moved apart nobody can say which one did.
  add("across, gutter, strip 4 or 5 slid 0.4 mm", LapKind::across, [&](Variant& v) {
    v.gutter = true, v.counted = false, v.slid_mm = {0, 0, 0, 0, 0.4}, rare(v);
  });
  return out;
}

Case make_case(const Variant& v, int ppi) {
  Case c;
  c.variant = v, c.ppi = ppi;
  for (PassSpec* p : {&c.a, &c.b}) {
    p->ppi = ppi, p->noise = v.noise, p->dust = v.dust;
    const bool second = p == &c.b;
    p->number = second ? 2 : 1;
    const double other = (v.seed - 1) * (second ? 1.9 : 0.8);  // another seed, another phase
    if (v.wobble) p->carriage.push_back({60, 40, (second ? 2.1 : 0.4) + other});
    if (v.gear_um > 0) p->carriage.push_back({v.gear_um, v.gear_mm, (second ? 1.3 : 4.0) + other});
    if (v.sideways_um > 0) p->sideways.push_back({v.sideways_um, 57, (second ? 0.2 : 3.3) + other});
    p->lens_um = v.lens_um;
    p->seed = v.seed * 2 + (second ? 1 : 0);
  }
  if (v.lap == LapKind::across) {
    const double down = v.gutter ? 18 : 0;
    c.a.x = 6, c.a.y = 2, c.a.width = 203.2, c.a.height = 150 + down;
    c.b.x = 6, c.b.y = 128 + down, c.b.width = 203.2, c.b.height = 150 - down;
  } else {
    c.a.x = 6, c.a.y = 2, c.a.width = 112, c.a.height = 254;
    c.b.x = 96, c.b.y = 2, c.b.width = 112, c.b.height = 254;
  }
  c.b.quarter = v.turn / 90;
  c.b.turn = 0.15, c.b.shift_x = 13.37, c.b.shift_y = -7.62, c.b.scale = 2e-4;
  c.b.light = {1.02, 0.98, 1.015};
  c.b.slid_mm = v.slid_mm;
  return c;
}

PassMaker::PassMaker(int ppi, unsigned seed, std::vector<PassSpec> specs)
    : specs_(std::move(specs)) {
  int to[2], from[2];
  if (pipe(to) != 0 || pipe(from) != 0) return;
  std::fflush(nullptr);
  child_ = fork();
  if (child_ == 0) {
    close(to[1]), close(from[0]);
    serve(ppi, seed, to[0], from[1]);
    _exit(0);
  }
  close(to[0]), close(from[1]);
  to_ = to[1], from_ = from[0];
}

PassMaker::~PassMaker() {
  close(to_), close(from_);
  if (child_ > 0) waitpid(child_, nullptr, 0);
}

void PassMaker::serve(int ppi, unsigned seed, int in, int out) const {
  PageOptions options;
  options.seed = seed;
  double l = 1e9, t = 1e9, r = -1e9, b = -1e9;
  for (const PassSpec& s : specs_)
    l = std::min(l, s.x - 3), t = std::min(t, s.y - 3), r = std::max(r, s.x + s.width + 3),
    b = std::max(b, s.y + s.height + 3);
  const auto um = [](double mm) { return Micrometres::from_mm(mm); };
  options.shown = {um(l), um(t), um(r - l), um(b - t)};
  std::optional<Result<FilmPage>> page;
  struct {
    std::size_t which;
    char file[1000];
  } asked;
  const auto make = [&]() -> Result<> {
    if (!page) page = FilmPage::make(bench_sleeve(), ppi, options);
    if (!*page) return fail(page->error());
    const PassTruth truth(specs_[asked.which]);
    PassSource source(**page, truth);
    auto writer =
        raw::Writer::create(asked.file, source.width(), source.height(), source.ppi(), {});
    if (!writer) return fail(writer.error());
    constexpr std::int64_t rows = 128;
    std::vector<std::uint16_t> band(static_cast<std::size_t>(rows * source.width() * 3));
    for (std::int64_t y = 0; y < source.height(); y += rows) {
      const std::int64_t n = std::min(rows, source.height() - y);
      if (auto done = source.read(y, n, band.data()); !done) return done;
      if (auto done = (*writer)->write(band.data(), n); !done) return done;
    }
    auto written = (*writer)->finish();
    if (!written) return fail(written.error());
    return {};
  };
  while (read(in, &asked, sizeof asked) == static_cast<ssize_t>(sizeof asked)) {
    const auto done = make();
    std::array<char, 1000> answer{};
    if (!done) std::strncpy(answer.data(), done.error().text.c_str(), answer.size() - 1);
    if (write(out, answer.data(), answer.size()) != static_cast<ssize_t>(answer.size())) return;
  }
}

std::string PassMaker::make(std::size_t which, const std::filesystem::path& file) {
  struct {
    std::size_t which;
    char file[1000];
  } asked{which, {}};
  std::strncpy(asked.file, file.c_str(), sizeof asked.file - 1);
  if (write(to_, &asked, sizeof asked) != static_cast<ssize_t>(sizeof asked))
    return "the page's process has ended";
  std::array<char, 1000> answer{};
  std::size_t got = 0;
  while (got < answer.size()) {
    const auto n = read(from_, answer.data() + got, answer.size() - got);
    if (n <= 0) return "the page's process has ended";
    got += static_cast<std::size_t>(n);
  }
  return answer.data();
}

}  // namespace lapwright::bench
