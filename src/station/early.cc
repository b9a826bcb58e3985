#include "station/early.h"

#include <algorithm>
#include <chrono>
#include <cmath>

namespace lapwright::station {
namespace {

constexpr int overview_ppi = 150;
constexpr double first_mm = 10, often_mm = 2;
constexpr double again_mm = 4;  // a lap that is good so far may still be bumped
constexpr double sure = 0.99;

std::int64_t factor_of(Ppi ppi) {
  return std::max<std::int64_t>(1, std::llround(static_cast<double>(ppi.value) / overview_ppi));
}
double shrink(std::int64_t factor) { return 1.0 / static_cast<double>(factor); }
Ppi reduced_ppi(Ppi ppi, std::int64_t factor) {
  return {static_cast<std::int32_t>(
      std::lround(static_cast<double>(ppi.value) / static_cast<double>(factor)))};
}

bool surely_wrong(const lap::Report& r) {
  switch (r.finding) {
    case lap::Finding::not_moved:
    case lap::Finding::turned:
    case lap::Finding::mirrored:
    case lap::Finding::off_place:
    case lap::Finding::too_little:
    case lap::Finding::bumped:
    case lap::Finding::light:
      return r.confidence >= sure;  // by common film, not by the outline alone
    default:
      return false;
  }
}

}  // namespace

EarlyLap::EarlyLap(const Setting& s, const Assignment& a, int number)
    : sleeve_(a.sleeve), number_(number), pass_(a.pass(number)), ppi_(a.plan.ppi) {
  planned_ = pass_.sleeve_to_pass(a.plan.ppi);
  if (a.job.kind != ledger::JobKind::proof) return;
  for (const plan::Lap& l : a.plan.laps) {
    const int other = l.a == number ? l.b : l.b == number ? l.a : 0;
    const auto kept = a.passes.find(other);
    if (other == 0 || other >= number || kept == a.passes.end() || !kept->second.checked) continue;
    // The widest lap tells the most.
    if (other_ && std::min(l.area.width, l.area.height) <= std::min(lap_.width, lap_.height))
      continue;
    lap_ = l.area;
    other_ = std::make_shared<Other>();
    other_->number = other, other_->file = s.archive / kept->second.file.path,
    other_->planned = kept->second.planned, other_->placement = kept->second.placement;
    other_->corner = window_corner(kept->second);
  }
  // Reading it takes longer than a check: before the carriage comes to the lap it is done.
  if (other_)
    ready_ = std::async(std::launch::async, [other = other_] { return load(*other); }).share();
}

void EarlyLap::begin(std::int64_t width, Ppi ppi) {
  width_ = width, ppi_ = ppi, factor_ = factor_of(ppi), row_ = 0;
  sums_.assign(static_cast<std::size_t>(width_ / factor_ * 3), 0);
  small_.clear();
  next_mm_ = first_mm, rest_until_ = {}, settled_ = !other_ || width_ < factor_;
}

double EarlyLap::lap_mm() const {
  double top = 1e300, bottom = -1e300;
  for (int i = 0; i < 4; ++i) {
    const auto p = planned_(
        {(i & 1) ? lap_.right().mm() : lap_.x.mm(), (i & 2) ? lap_.bottom().mm() : lap_.y.mm()});
    top = std::min(top, p.y), bottom = std::max(bottom, p.y);
  }
  return (std::min(static_cast<double>(row_), bottom) - std::max(0.0, top)) * ppi_.mm_per_pixel();
}

void EarlyLap::reduce(const std::uint16_t* row) {
  const std::int64_t columns = width_ / factor_;
  std::uint32_t* sum = sums_.data();
  for (std::int64_t x = 0; x < columns; ++x, sum += 3)
    for (std::int64_t i = 0; i < factor_; ++i, row += 3)
      sum[0] += row[0], sum[1] += row[1], sum[2] += row[2];
  if (++row_ % factor_ != 0) return;
  const auto many = static_cast<std::uint32_t>(factor_ * factor_);
  for (std::uint32_t& s : sums_) small_.push_back(static_cast<std::uint16_t>(s / many)), s = 0;
}

bool EarlyLap::load(Other& other) {
  auto reader = raw::Reader::open(other.file);
  if (!reader) return false;
  other.factor = factor_of((*reader)->ppi()),
  other.ppi = reduced_ppi((*reader)->ppi(), other.factor);
  auto small =
      image::reduced(**reader, 0, 0, (*reader)->width(), (*reader)->height(), other.factor);
  if (!small) return false;
  other.small = std::move(*small);
  return true;
}

std::optional<lap::Report> EarlyLap::judge(const Other& other, const image::Rgb16& so_far,
                                           std::int64_t factor, Ppi ppi,
                                           const Affine<SleeveSpace, PassSpace>& planned,
                                           std::int64_t rows_in_all, Spot<BedSpace> corner,
                                           int number, const profile::SleeveProfile& sleeve) {
  image::MemorySource a(other.small, other.ppi), b(so_far, reduced_ppi(ppi, factor));
  lap::Placement placed;
  placed.affine = core::scaled(other.placement.affine, shrink(other.factor));
  auto report = lap::check(
      {&a, core::scaled(other.planned, shrink(other.factor)), other.number, other.corner}, placed,
      {&b, core::scaled(planned, shrink(factor)), number, corner}, sleeve,
      {.rows_in_all = rows_in_all / factor});
  if (!report) return {};
  return *report;
}

std::optional<lap::Report> EarlyLap::rows(const std::uint16_t* samples, std::int64_t count) {
  if (settled_) return {};
  for (std::int64_t y = 0; y < count; ++y) reduce(samples + y * width_ * 3);
  if (running_.valid()) {
    if (running_.wait_for(std::chrono::seconds(0)) != std::future_status::ready) return {};
    auto report = running_.get();
    judged_ = report;
    const auto now = Clock::now();
    rest_until_ = now + (now - began_);  // half of the processor's time is the capture's
    next_mm_ = judged_mm_ + (report && report->ok ? again_mm : often_mm);
    if (!report || !surely_wrong(*report)) return {};
    report->why += "; seen while the pass was captured";
    return report;
  }
  if (lap_mm() < next_mm_ || Clock::now() < rest_until_) return {};
  judged_mm_ = lap_mm(), began_ = Clock::now();
  const std::int64_t columns = width_ / factor_;
  image::Rgb16 so_far(columns, static_cast<std::int64_t>(small_.size()) / (columns * 3));
  std::copy(small_.begin(), small_.begin() + so_far.height() * columns * 3, so_far.row(0));
  running_ = std::async(
      std::launch::async,
      [other = other_, ready = ready_, so_far = std::move(so_far), factor = factor_, ppi = ppi_,
       planned = planned_, in_all = pass_.height.value,
       corner = Spot<BedSpace>{pass_.window.x.mm(), pass_.window.y.mm()}, number = number_,
       sleeve = sleeve_]() -> std::optional<lap::Report> {
        if (!ready.get()) return {};
        return judge(*other, so_far, factor, ppi, planned, in_all, corner, number, sleeve);
      });
  return {};
}

}  // namespace lapwright::station
