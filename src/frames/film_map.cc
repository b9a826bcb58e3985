#include "frames/film_map.h"

#include <algorithm>
#include <cmath>

namespace lapwright::frames {
namespace {

constexpr int bins = 400;
constexpr double bin = 0.01;  // density

/// Counts below which `share` of a channel's samples lie.
double quantile(const image::Rgb16& picture, int channel, double share) {
  std::vector<std::int64_t> histogram(4096);
  for (std::int64_t y = 0; y < picture.height(); ++y)
    for (std::int64_t x = 0; x < picture.width(); ++x) ++histogram[picture.row(y)[x * 3 + channel] >> 4];
  const auto wanted = static_cast<std::int64_t>(share * static_cast<double>(picture.width() * picture.height()));
  std::int64_t seen = 0;
  for (std::size_t i = 0; i < histogram.size(); ++i)
    if ((seen += histogram[i]) >= wanted) return static_cast<double>(i) * 16 + 8;
  return 65535;
}

std::size_t peak(const std::vector<double>& histogram, double from, double to) {
  const auto a = static_cast<std::size_t>(std::clamp(from / bin, 1.0, bins - 2.0));
  const auto b = static_cast<std::size_t>(std::clamp(to / bin, 1.0, bins - 2.0));
  std::size_t best = a;
  double most = -1;
  for (std::size_t i = a; i <= b; ++i) {
    const double here = histogram[i - 1] + histogram[i] + histogram[i + 1];
    if (here > most) most = here, best = i;
  }
  return best;
}

}  // namespace

Affine<SleeveSpace, RunSpace> to_run(const profile::SleeveProfile& sleeve) {
  const double x = sleeve.strips.first.x.mm(), y = sleeve.strips.first.y.mm();
  if (sleeve.strips.run == profile::Run::right) return {1, 0, 0, 1, -x, -y};
  return {0, 1, 1, 0, -y, -x};
}

double FilmMap::density(const std::uint16_t* rgb) const {
  double most = 0;
  for (std::size_t c = 0; c < 3; ++c) most = std::max(most, open[c] / (rgb[c] + 0.0015 * open[c]));
  return std::log10(std::max(most, 1.0));
}

Result<FilmMap> map_film(image::RowSource& source, double ppi, double least_base, const Affine<PassSpace, RunSpace>& to_mm) {
  FilmMap map;
  const auto factor = std::max<std::int64_t>(1, std::llround(source.ppi().value / ppi));
  auto picture = image::reduced(source, 0, 0, source.width(), source.height(), factor);
  if (!picture) return fail(picture.error());
  map.picture = std::move(*picture);
  const auto k = static_cast<double>(factor);
  map.mm_per_pixel = source.ppi().mm_per_pixel() * k;
  map.to_run = compose(to_mm, Affine<PassSpace, PassSpace>{k, 0, 0, k, 0, 0});
  for (int c = 0; c < 3; ++c) map.open[static_cast<std::size_t>(c)] = std::max(quantile(map.picture, c, 0.995), 1.0);

  const std::int64_t width = map.picture.width(), height = map.picture.height();
  std::vector<float> densities(static_cast<std::size_t>(width * height));
  std::vector<double> histogram(bins);
  for (std::int64_t y = 0; y < height; ++y)
    for (std::int64_t x = 0; x < width; ++x) {
      const double d = map.density(map.picture.row(y) + x * 3);
      densities[static_cast<std::size_t>(y * width + x)] = static_cast<float>(d);
      ++histogram[static_cast<std::size_t>(std::min(d / bin, bins - 1.0))];
    }
  // The base is the commonest density of film: rebate and gaps share it. Two sheets of a sleeve beside bare glass differ by up
  // to 0.10 (trade.md 2), so a density as low as that is taken for film only when nothing denser is as common.
  const auto share = [&](std::size_t at) {
    return (histogram[at - 1] + histogram[at] + histogram[at + 1]) / static_cast<double>(std::max<std::int64_t>(width * height, 1));
  };
  std::size_t base_bin = peak(histogram, std::max(least_base, 0.13), bins * bin);
  if (share(base_bin) < 0.06 && least_base < 0.13) base_bin = peak(histogram, least_base, bins * bin);
  const double base = static_cast<double>(base_bin) * bin;
  const double clear = static_cast<double>(peak(histogram, 0, std::clamp(base - 0.06, 0.02, 0.15))) * bin;
  map.threshold = clear + std::clamp(0.45 * (base - clear), 0.03, 0.16);
  map.is_open.resize(densities.size());
  std::int64_t film = 0;
  for (std::size_t i = 0; i < densities.size(); ++i) {
    map.is_open[i] = densities[i] < map.threshold ? 1 : 0;
    film += 1 - map.is_open[i];
  }
  map.film_share = densities.empty() ? 0 : static_cast<double>(film) / static_cast<double>(densities.size());
  return map;
}

}  // namespace lapwright::frames
