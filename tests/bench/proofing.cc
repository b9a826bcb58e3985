#include <cmath>
#include <cstdio>

#include "bench/sections.h"
#include "density/density.h"
#include "frames/frames.h"
#include "proof/proof.h"
#include "raw/tiff.h"

namespace lapwright::bench {
namespace {

namespace fs = std::filesystem;

constexpr int ppi = 2400, turns = 2;
constexpr double width_mm = 215, height_mm = 262;  // 503 million pixels

/// One road from the linear sheet to its proof, as the station takes it.
Told proof_of(const fs::path& sheet, Spot<SleeveSpace> origin, const fs::path& folder) {
  const auto sleeve = bench_sleeve();
  const auto stock =
      profile::Shelf({fs::path(SOURCE_DIR) / "profiles"}).stock("c41-daylight-400");
  if (!stock) return {{}, stock.error().text, ""};
  auto reader = raw::Reader::open(sheet);
  if (!reader) return {{}, reader.error().text, ""};
  Told t;
  Clock clock;
  const auto measured = density::measure(**reader, origin, sleeve, *stock);
  if (!measured) return {{}, measured.error().text, ""};
  t.values["measure"] = clock.wall();
  clock = Clock();
  const auto found = frames::find(**reader, origin, sleeve, stock->process);
  if (!found) return {{}, found.error().text, ""};
  t.values["find"] = clock.wall(), t.values["find_cpu"] = clock.cpu();
  t.values["frames"] = static_cast<double>(found->frames.size());
  reset_peak();
  clock = Clock();
  const density::Converter converter(*stock, *measured);
  density::PositiveSource positive(**reader, converter);
  const std::atomic<bool> never{false};
  const auto made =
      proof::make(positive, origin, sleeve, found->frames,
                  {"bench", stock->about, "", "", "2000-01-01"}, folder, never);
  if (!made) return {{}, made.error().text, ""};
  t.values["wall"] = clock.wall(), t.values["cpu"] = clock.cpu();
  t.values["uneven"] = measured->evenness ? 1 : 0;
  t.values["mb"] = peak_mb();
  return t;
}

}  // namespace

void proofing(const Setting& setting, Figures& figures) {
  const Table table(
      "From a linear sheet of 500 megapixels to its proof (pyramid, JPEG, PDF, sidecar, each "
      "flushed and hashed), with libvips' lookup curve and pyramid of JPEG tiles beside it (the "
      "best of two of each, in turns)",
      {"Mpx", "measure s", "frames", "find cpu s", "proof s", "cpu s", "MB", "libvips s", "cpu s",
       "MB", "x libvips", "x cpu"},
      {6, 10, 7, 11, 8, 7, 6, 10, 7, 6, 10, 7});
  PassSpec spec;
  spec.ppi = ppi, spec.seed = setting.seed, spec.x = 0, spec.y = 1, spec.width = width_mm,
  spec.height = height_mm;
  const auto sheet = setting.folder / "sheet.tif", peer = setting.folder / "peer.tif",
             folder = setting.folder / "proof";
  fs::create_directories(folder);
  {
    PassMaker maker(ppi, setting.seed, {spec});
    if (const auto wrong = maker.make(0, sheet); !wrong.empty())
      return figures.missing("proof, x libvips", wrong);
  }
  sync();
  Measured ours, theirs;
  for (int turn = 0; turn < turns; ++turn) {
    Measured m = in_child([&] { return proof_of(sheet, {spec.x, spec.y}, folder); });
    if (!m.failed.empty()) return figures.missing("proof, x libvips", m.failed);
    if (turn == 0 || m.at("wall") < ours.at("wall")) ours = m;
    sync();
    if (!setting.with_peers) continue;
    m = in_program({setting.peers, "pyramid-libvips", sheet, peer});
    if (!m.failed.empty()) return figures.missing("proof, x libvips", m.failed);
    if (turn == 0 || m.at("wall") < theirs.at("wall")) theirs = m;
    fs::remove(peer);
    sync();
  }
  const double pixels = width_mm * height_mm * std::pow(ppi / 25.4, 2) / 1e6;
  const auto beside = [&](const char* key, int digits) {
    return setting.with_peers ? number(theirs.at(key), digits) : "-";
  };
  const auto ratio = [&](const char* key) {
    return setting.with_peers ? number(ours.at(key) / theirs.at(key), 2) : "-";
  };
  table.row({number(pixels, 0), number(ours.at("measure"), 2), number(ours.at("frames"), 0),
             number(ours.at("find_cpu"), 2), number(ours.at("wall"), 2), number(ours.at("cpu"), 2),
             number(ours.at("mb"), 0), beside("wall", 2), beside("cpu", 2),
             setting.with_peers ? number(theirs.peak_mb, 0) : "-", ratio("wall"), ratio("cpu")});
  if (setting.with_peers)
    figures.expect("proof, x libvips", ours.at("wall") / theirs.at("wall"), 1.5);
  figures.expect("proof, memory, MB", ours.at("mb"), 300);
  figures.expect("frames and edge code of a sheet, s of one core", ours.at("find_cpu"), 5);
}

}  // namespace lapwright::bench
