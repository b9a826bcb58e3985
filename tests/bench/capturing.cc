#include <sys/resource.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdlib>
#include <fstream>
#include <optional>
#include <thread>

#include "bed/bench.h"
#include "bench/sections.h"
#include "raw/tiff.h"

namespace lapwright::bench {
namespace {

namespace fs = std::filesystem;

constexpr int ppi = 2400, turns = 3;
constexpr double width_mm = 203.2, height_mm = 190, paced_height_mm = 60;
// From 2400 ppi on beds give a row in 8 ms, quick ones in 5 (CALC trade.md 6, on line times that
// are invented there).
constexpr double row_ms = 5;
constexpr double stall_seconds = 2;

/// Writes a pass as the station does; from a row on, once, the disk takes no more for a while.
class ToFile : public bed::Receiver {
 public:
  ToFile(fs::path file, std::optional<std::int64_t> stalls_at)
      : file_(std::move(file)), stalls_at_(stalls_at) {}
  Result<> begin(const bed::Format& f) override {
    auto writer = raw::Writer::create(file_, f.width, f.height, f.ppi, {}, f.height);
    if (!writer) return fail(writer.error());
    writer_ = std::move(*writer);
    return {};
  }
  Result<> rows(const std::uint16_t* samples, std::int64_t count) override {
    rows_ += count;
    if (stalls_at_ && rows_ >= *stalls_at_) {
      std::this_thread::sleep_for(std::chrono::duration<double>(stall_seconds));
      stalls_at_.reset();
    }
    return writer_->write(samples, count);
  }
  Result<raw::Written> finish() { return writer_->finish(); }

 private:
  fs::path file_;
  std::optional<std::int64_t> stalls_at_;
  std::int64_t rows_ = 0;
  std::unique_ptr<raw::Writer> writer_;
};

double children_mb() {
  rusage of{};
  ::getrusage(RUSAGE_CHILDREN, &of);
  return static_cast<double>(of.ru_maxrss) * 1024 / 1e6;
}
double children_cpu() {
  rusage of{};
  ::getrusage(RUSAGE_CHILDREN, &of);
  const auto seconds = [](const timeval& t) {
    return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6;
  };
  return seconds(of.ru_utime) + seconds(of.ru_stime);
}

/// One pass through worker and station to a file that is flushed, hashed and named.
Told capture(const fs::path& folder, const fs::path& file, double height,
             const std::string& behaviour, std::optional<std::int64_t> stalls_at) {
  const bed::SaneFolder sane("fake", behaviour);
  const fs::path waits = folder / "waits";
  ::setenv("LAPWRIGHT_FAKE_WAITS", waits.c_str(), 1);
  bed::WorkerOptions options;
  options.program = BED_WORKER;
  const auto bed = bed::make_sane_bed(options);
  const std::atomic<bool> never{false};
  ToFile to(file, stalls_at);
  Told t;
  const Clock clock;
  const auto captured = bed->capture({.device = "fake:mode-depth",
                                      .window = bed::window_mm(0, 0, width_mm, height),
                                      .ppi = {ppi},
                                      .options = {},
                                      .light = bed::Light::film},
                                     to, never);
  if (!captured) return {{}, captured.error().text, ""};
  if (const auto written = to.finish(); !written) return {{}, written.error().text, ""};
  t.values["wall"] = clock.wall(), t.values["cpu"] = clock.cpu() + children_cpu();
  t.values["worker_mb"] = children_mb();
  double wait = std::nan("");
  std::ifstream(waits) >> wait;
  t.values["wait"] = wait;
  return t;
}

double dd(const fs::path& from, const fs::path& to) {
  const std::string command = "dd if='" + from.string() + "' of='" + to.string() +
                              "' bs=1M conv=fsync status=none";
  const Clock clock;
  const bool ok = std::system(command.c_str()) == 0;
  const double s = clock.wall();
  fs::remove(to);
  return ok ? s : std::nan("");
}

}  // namespace

void capturing(const Setting& setting, Figures& figures) {
  const Table table(
      "Capture from a flatbed's driver through worker and queue to a file that is flushed, hashed "
      "and named; 'dd conv=fsync' of the same file beside it (the best of three of each, in turns)",
      {"flatbed", "GB", "s", "MB/s", "dd s", "x dd", "cpu s/s", "device waited ms", "station MB",
       "worker MB"},
      {34, 6, 7, 7, 7, 6, 8, 17, 11, 10});
  const auto file = setting.folder / "pass.tif", copy = setting.folder / "copy.tif";
  const auto told = [&](const std::string& name, const Measured& m, double disk) {
    if (!m.failed.empty()) {
      std::printf("%s: %s\n", name.c_str(), m.failed.c_str());
      figures.missing("capture, " + name, m.failed);
      return;
    }
    const double bytes = static_cast<double>(fs::file_size(file));
    table.row({name, number(bytes / 1e9, 2), number(m.at("wall"), 2),
               number(bytes / 1e6 / m.at("wall"), 0), disk > 0 ? number(disk, 2) : "-",
               disk > 0 ? number(m.at("wall") / disk, 2) : "-",
               number(m.at("cpu") / m.at("wall"), 2), number(m.at("wait") * 1000, 1),
               number(m.peak_mb, 0), number(m.at("worker_mb"), 0)});
    figures.expect("capture, memory of worker and station, MB", m.peak_mb + m.at("worker_mb"),
                   128);
  };
  double disk = 1e300;
  Measured quickest;
  for (int turn = 0; turn < turns; ++turn) {
    auto now = in_child([&] { return capture(setting.folder, file, height_mm, "still", {}); });
    if (turn == 0 || !now.failed.empty() || now.at("wall") < quickest.at("wall"))
      quickest = std::move(now);
    if (!quickest.failed.empty()) break;
    ::sync();
    disk = std::min(disk, dd(file, copy));
  }
  told("as quick as it is read", quickest, disk);
  if (quickest.failed.empty())
    figures.expect("capture, time of dd", quickest.at("wall") / disk, 1 / 0.8);
  fs::remove(file);
  for (const bool stalls : {false, true}) {
    const auto pace = "still,pace=" + std::to_string(row_ms);
    const auto m = in_child([&] {
      return capture(setting.folder, file, paced_height_mm, pace,
                     stalls ? std::optional<std::int64_t>(3000) : std::nullopt);
    });
    told(stalls ? "a row in 5 ms, disk stalls for 2 s" : "a row in 5 ms", m, 0);
    if (m.failed.empty())
      figures.expect("capture, longest that the device waited, ms", m.at("wait") * 1000, 50);
    fs::remove(file);
  }
}

}  // namespace lapwright::bench
