// What general libraries find and make of the same passes: a program of its own, so that their
// memory is their own.
//
//   bench_peers METHOD a.tif X Y W H b.tif X Y W H QUARTERS
//     where b lies on a: "m0 .. m5", b = M a in whole-pass pixels
//   bench_peers merge a.tif b.tif out.tif DX DY down|right         libvips' merge
//   bench_peers warp-opencv|warp-libvips in.tif out.tif W H M0 .. M5
//     out(p) = in(M p), counted from the first pixel's centre
//   bench_peers pyramid-libvips in.tif out.tif      a lookup curve and a pyramid of JPEG tiles
//   bench_peers phase a.tif b.tif SIDE X Y ...      OpenCV's phase correlation: "dx0 dy0 ..."
// METHOD: ecc, orb, sift, grid, stitcher, mosaic. All get the planned quarter turn and the planned
// lap for nothing, and logarithms of the samples (density), in 8 bits where they take no more.

#include <fcntl.h>
#include <unistd.h>
#include <vips/vips.h>

#include <cmath>
#include <cstdio>
#include <cstring>
#include <opencv2/calib3d.hpp>
#include <opencv2/features2d.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <opencv2/stitching.hpp>
#include <opencv2/video/tracking.hpp>
#include <stdexcept>

#include "bench/measure.h"
#include "raw/tiff.h"

namespace lapwright::bench {
namespace {

using cv::Mat;
using Map = cv::Matx23d;

struct Lap {
  Mat rgb;  // 16 bits
  std::int64_t x = 0, y = 0;
};

Lap read_lap(char** from) {
  auto reader = raw::Reader::open(from[0]);
  if (!reader) throw std::runtime_error(reader.error().text);
  Lap l;
  l.x = std::atoll(from[1]), l.y = std::atoll(from[2]);
  const int w = std::atoi(from[3]), h = std::atoi(from[4]);
  l.rgb = Mat(h, w, CV_16UC3);
  if (auto r = (*reader)->read_block(l.x, w, l.y, h, l.rgb.ptr<std::uint16_t>()); !r)
    throw std::runtime_error(r.error().text);
  return l;
}

/// Density, mean of the channels, row by row so that no peer pays for a careless conversion.
Mat density(const Mat& rgb) {
  static const std::vector<float> table = [] {
    std::vector<float> t(65536);
    for (std::size_t i = 0; i < t.size(); ++i)
      t[i] = static_cast<float>(-std::log10((static_cast<double>(i) + 100) / 56000));
    return t;
  }();
  Mat out(rgb.rows, rgb.cols, CV_32F);
  for (int y = 0; y < rgb.rows; ++y) {
    const auto* p = rgb.ptr<std::uint16_t>(y);
    auto* o = out.ptr<float>(y);
    for (int x = 0; x < rgb.cols; ++x, p += 3) o[x] = (table[p[0]] + table[p[1]] + table[p[2]]) / 3;
  }
  return out;
}

Mat bytes(const Mat& rgb) {
  Mat out;
  density(rgb).convertTo(out, CV_8U, 255 / 2.6);
  return out;
}

/// Half a pixel apart: the libraries count from the first pixel's centre.
Map from_centres(const Map& m) {
  Map r = m;
  for (int i = 0; i < 2; ++i) r(i, 2) += 0.5 - 0.5 * (m(i, 0) + m(i, 1));
  return r;
}

Map ecc(const Mat& a, const Mat& b) {
  // Coarse to fine from the planned place: the plain call from full resolution does not converge.
  Mat warp = (cv::Mat_<float>(2, 3) << 1, 0, 0, 0, 1, 0);
  const Mat fa = density(a), fb = density(b);
  int levels = 0;
  while (std::max(fa.rows, fa.cols) >> levels > 600) ++levels;
  for (int level = levels; level >= 0; --level) {
    Mat la, lb;
    const double f = std::pow(0.5, level);
    cv::resize(fa, la, {}, f, f, cv::INTER_AREA), cv::resize(fb, lb, {}, f, f, cv::INTER_AREA);
    cv::findTransformECC(
        la, lb, warp, cv::MOTION_AFFINE,
        {cv::TermCriteria::COUNT + cv::TermCriteria::EPS, level == 0 ? 30 : 60, 1e-6},
        cv::noArray(), 5);
    if (level > 0)
      warp.at<float>(0, 2) = warp.at<float>(0, 2) * 2,
                        warp.at<float>(1, 2) = warp.at<float>(1, 2) * 2;
  }
  Map m;
  for (int i = 0; i < 6; ++i) m(i / 3, i % 3) = static_cast<double>(warp.at<float>(i / 3, i % 3));
  return m;
}

Map features(const Mat& a, const Mat& b, bool sift) {
  const Mat ba = bytes(a), bb = bytes(b);
  cv::Ptr<cv::Feature2D> find;
  if (sift)
    find = cv::SIFT::create();
  else
    find = cv::ORB::create(10000);
  std::vector<cv::KeyPoint> ka, kb;
  Mat da, db;
  find->detectAndCompute(ba, cv::noArray(), ka, da),
      find->detectAndCompute(bb, cv::noArray(), kb, db);
  std::vector<cv::Point2f> pa, pb;
  if (sift) {
    cv::FlannBasedMatcher matcher;
    std::vector<std::vector<cv::DMatch>> found;
    matcher.knnMatch(da, db, found, 2);
    for (const auto& f : found)
      if (f.size() == 2 && f[0].distance < 0.75F * f[1].distance)
        pa.push_back(ka[static_cast<std::size_t>(f[0].queryIdx)].pt),
            pb.push_back(kb[static_cast<std::size_t>(f[0].trainIdx)].pt);
  } else {
    cv::BFMatcher matcher(cv::NORM_HAMMING, true);
    std::vector<cv::DMatch> found;
    matcher.match(da, db, found);
    for (const auto& f : found)
      pa.push_back(ka[static_cast<std::size_t>(f.queryIdx)].pt),
          pb.push_back(kb[static_cast<std::size_t>(f.trainIdx)].pt);
  }
  if (pa.size() < 10) throw std::runtime_error("too few features agree");
  const Mat m = cv::estimateAffine2D(pa, pb, cv::noArray(), cv::RANSAC, 3, 10000, 0.999, 20);
  if (m.empty()) throw std::runtime_error("no affine map agrees");
  return Map(m.ptr<double>());
}

Map grid(const Mat& a, const Mat& b) {
  const Mat fa = density(a), fb = density(b);
  const int side = std::min({256, a.rows / 4, a.cols / 4}) / 2 * 2;
  Mat window;
  cv::createHanningWindow(window, {side, side}, CV_32F);
  // A first, coarse shift, so that the patches overlap.
  cv::Point2d start;
  {
    Mat la, lb, w;
    const double f = std::min(1.0, 512.0 / std::max(fa.rows, fa.cols));
    cv::resize(fa, la, {}, f, f, cv::INTER_AREA), cv::resize(fb, lb, {}, f, f, cv::INTER_AREA);
    const cv::Rect common(0, 0, std::min(la.cols, lb.cols), std::min(la.rows, lb.rows));
    cv::createHanningWindow(w, common.size(), CV_32F);
    start = cv::phaseCorrelate(la(common), lb(common), w) / f;
  }
  // Twice: the second time around where the first affine map says.
  Map m{1, 0, start.x, 0, 1, start.y};
  for (int round = 0; round < 2; ++round) {
    std::vector<cv::Point2f> pa, pb;
    const int columns = std::min(32, fa.cols / side * 2), rows = std::min(32, fa.rows / side * 2);
    for (int j = 0; j < rows; ++j)
      for (int i = 0; i < columns; ++i) {
        const int x = (fa.cols - side) * i / std::max(1, columns - 1),
                  y = (fa.rows - side) * j / std::max(1, rows - 1);
        const double cx = x + side / 2, cy = y + side / 2;
        const int bx = static_cast<int>(std::lround(m(0, 0) * cx + m(0, 1) * cy + m(0, 2))) -
                       side / 2,
                  by = static_cast<int>(std::lround(m(1, 0) * cx + m(1, 1) * cy + m(1, 2))) -
                       side / 2;
        if (bx < 0 || by < 0 || bx + side > fb.cols || by + side > fb.rows) continue;
        double response = 0;
        const auto d =
            cv::phaseCorrelate(fa({x, y, side, side}), fb({bx, by, side, side}), window, &response);
        if (response < 0.05 || std::hypot(d.x, d.y) > side / 4.0) continue;
        pa.emplace_back(static_cast<float>(cx), static_cast<float>(cy));
        pb.emplace_back(static_cast<float>(bx + side / 2 + d.x),
                        static_cast<float>(by + side / 2 + d.y));
      }
    if (pa.size() < 6) throw std::runtime_error("too few patches agree");
    const Mat found =
        cv::estimateAffine2D(pa, pb, cv::noArray(), cv::RANSAC, 1.5, 10000, 0.999, 20);
    if (found.empty()) throw std::runtime_error("no affine map agrees");
    m = Map(found.ptr<double>());
  }
  return m;
}

Map stitcher(const Mat& a, const Mat& b, bool upside_down) {
  const auto s = cv::Stitcher::create(cv::Stitcher::SCANS);
  // As it comes it refuses such laps; registered at full resolution with SIFT it answers.
  s->setRegistrationResol(-1);
  s->setFeaturesFinder(cv::SIFT::create());
  s->setPanoConfidenceThresh(0.3);
  std::vector<Mat> pictures;
  for (const Mat& m : {a, b}) {
    Mat three;
    cv::cvtColor(bytes(m), three, cv::COLOR_GRAY2BGR);
    pictures.push_back(three);
  }
  if (s->estimateTransform(pictures) != cv::Stitcher::OK || s->cameras().size() != 2)
    throw std::runtime_error("the stitcher refuses");
  Mat ra, rb;
  s->cameras()[0].R.convertTo(ra, CV_64F), s->cameras()[1].R.convertTo(rb, CV_64F);
  // The map's direction is not documented: of the two that the pair can mean, the one nearer to
  // make_case's shift.
  const Mat one = rb.inv() * ra, other = rb * ra.inv();
  const double sign = upside_down ? -1 : 1;
  const auto far = [sign](const Mat& m) {
    return std::hypot(m.at<double>(0, 2) - sign * 13.37, m.at<double>(1, 2) + sign * 7.62);
  };
  const Mat best = far(one) < far(other) ? one : other;
  return Map(best.ptr<double>());
}

[[noreturn]] void vips_failed() {
  std::string text = vips_error_buffer();
  for (char& c : text) c = c == '\n' ? ' ' : c;
  throw std::runtime_error(text);
}

Map mosaic(const Mat& a, const Mat& b, bool down) {
  const Mat da = bytes(a), db = bytes(b);
  const auto image = [](const Mat& m) {
    return vips_image_new_from_memory(m.data, m.total(), m.cols, m.rows, 1, VIPS_FORMAT_UCHAR);
  };
  VipsImage *ia = image(da), *ib = image(db), *out = nullptr;
  int dx = 0, dy = 0;
  const int x = std::min(a.cols, b.cols) / 2, y = std::min(a.rows, b.rows) / 2;
  if (vips_mosaic(ia, ib, &out, down ? VIPS_DIRECTION_VERTICAL : VIPS_DIRECTION_HORIZONTAL, x, y, x,
                  y, "hwindow", 15, "harea", 30, "dx0", &dx, "dy0", &dy, nullptr) != 0)
    vips_failed();
  g_object_unref(out);
  return {1, 0, static_cast<double>(dx), 0, 1, static_cast<double>(dy)};
}

void register_laps(const std::string& method, char** rest) {
  Lap a = read_lap(rest), b = read_lap(rest + 5);
  const int quarters = std::atoi(rest[10]);
  // b turned back, so that it lies as a does; `turned` takes the turned picture's pixels to b's
  // own.
  const double w = b.rgb.cols, h = b.rgb.rows;
  Map turned{1, 0, 0, 0, 1, 0};
  if (quarters == 1)
    cv::rotate(b.rgb, b.rgb, cv::ROTATE_90_COUNTERCLOCKWISE), turned = {0, -1, w, 1, 0, 0};
  if (quarters == 2) cv::rotate(b.rgb, b.rgb, cv::ROTATE_180), turned = {-1, 0, w, 0, -1, h};
  if (quarters == 3)
    cv::rotate(b.rgb, b.rgb, cv::ROTATE_90_CLOCKWISE), turned = {0, 1, 0, -1, 0, h};
  const Clock clock;
  Map m;
  if (method == "ecc")
    m = ecc(a.rgb, b.rgb);
  else if (method == "orb")
    m = features(a.rgb, b.rgb, false);
  else if (method == "sift")
    m = features(a.rgb, b.rgb, true);
  else if (method == "grid")
    m = grid(a.rgb, b.rgb);
  else if (method == "stitcher")
    m = stitcher(a.rgb, b.rgb, quarters == 2);
  else if (method == "mosaic")
    m = mosaic(a.rgb, b.rgb, a.rgb.cols > a.rgb.rows);
  else
    throw std::runtime_error("no method " + method);
  std::printf("wall %.6f\ncpu %.6f\n", clock.wall(), clock.cpu());
  m = from_centres(m);
  const auto full = [](const Map& k) {
    return cv::Matx33d(k(0, 0), k(0, 1), k(0, 2), k(1, 0), k(1, 1), k(1, 2), 0, 0, 1);
  };
  const auto shift = [](double x, double y) { return cv::Matx33d(1, 0, x, 0, 1, y, 0, 0, 1); };
  const auto all = shift(static_cast<double>(b.x), static_cast<double>(b.y)) * full(turned) *
                   full(m) * shift(static_cast<double>(-a.x), static_cast<double>(-a.y));
  for (int i = 0; i < 6; ++i) std::printf("m%d %.17g\n", i, all(i / 3, i % 3));
}

void merge(char** rest) {
  const Clock clock;
  VipsImage *a = vips_image_new_from_file(rest[0], "access", VIPS_ACCESS_SEQUENTIAL, nullptr),
            *b = vips_image_new_from_file(rest[1], "access", VIPS_ACCESS_SEQUENTIAL, nullptr),
            *out = nullptr;
  if (a == nullptr || b == nullptr) vips_failed();
  const bool down = std::strcmp(rest[5], "down") == 0;
  if (vips_merge(a, b, &out, down ? VIPS_DIRECTION_VERTICAL : VIPS_DIRECTION_HORIZONTAL,
                 std::atoi(rest[3]), std::atoi(rest[4]), "mblend", 10, nullptr) != 0 ||
      vips_tiffsave(out, rest[2], nullptr) != 0)
    vips_failed();
  g_object_unref(out);
  std::FILE* f = std::fopen(rest[2], "rb+");
  if (f != nullptr) fsync(fileno(f)), std::fclose(f);
  std::printf("wall %.6f\ncpu %.6f\n", clock.wall(), clock.cpu());
}

void warp(bool opencv, char** rest) {
  const int w = std::atoi(rest[2]), h = std::atoi(rest[3]);
  double m[6];
  for (int i = 0; i < 6; ++i) m[i] = std::atof(rest[4 + i]);
  if (opencv) {
    const Mat in = cv::imread(rest[0], cv::IMREAD_UNCHANGED);
    Mat out, map = (cv::Mat_<double>(2, 3) << m[0], m[1], m[2], m[3], m[4], m[5]);
    cv::warpAffine(in, out, map, {w, h}, cv::INTER_LANCZOS4 | cv::WARP_INVERSE_MAP,
                   cv::BORDER_REPLICATE);
    cv::imwrite(rest[1], out,
                {cv::IMWRITE_TIFF_COMPRESSION, 1, cv::IMWRITE_TIFF_RESUNIT, 2,
                 cv::IMWRITE_TIFF_XDPI, 1200, cv::IMWRITE_TIFF_YDPI, 1200});
    return;
  }
  // libvips takes the map from input to output, and has no Lanczos for it: its sharpest
  // interpolator.
  const double k = 1 / (m[0] * m[4] - m[1] * m[3]), a = m[4] * k, b = -m[1] * k, c = -m[3] * k,
               d = m[0] * k;
  VipsImage *in = vips_image_new_from_file(rest[0], nullptr), *out = nullptr;
  if (in == nullptr) vips_failed();
  VipsInterpolate* kernel = vips_interpolate_new("bicubic");
  VipsArrayInt* area = vips_array_int_newv(4, 0, 0, w, h);
  if (vips_affine(in, &out, a, b, c, d, "interpolate", kernel, "oarea", area, "odx",
                  -(a * m[2] + b * m[5]), "ody", -(c * m[2] + d * m[5]), "extend", VIPS_EXTEND_COPY,
                  nullptr) != 0 ||
      vips_tiffsave(out, rest[1], nullptr) != 0)
    vips_failed();
}

/// A 16-bit curve, then 8 bits, then a pyramid of JPEG tiles, as lapwright's proof.tif has them.
void pyramid(char** rest) {
  const Clock clock;
  VipsImage* in =
      vips_image_new_from_file(rest[0], "access", VIPS_ACCESS_SEQUENTIAL, nullptr);
  if (in == nullptr) vips_failed();
  std::vector<std::uint8_t> curve(65536);
  for (std::size_t i = 0; i < curve.size(); ++i)
    curve[i] = static_cast<std::uint8_t>(
        std::clamp(255 - 60 * std::log10(1.0 + static_cast<double>(i)) + 40, 0.0, 255.0));
  VipsImage *table = vips_image_new_from_memory(curve.data(), curve.size(), 65536, 1, 1,
                                                VIPS_FORMAT_UCHAR),
            *out = nullptr;
  if (table == nullptr || vips_maplut(in, &out, table, nullptr) != 0) vips_failed();
  if (vips_tiffsave(out, rest[1], "compression", VIPS_FOREIGN_TIFF_COMPRESSION_JPEG, "Q", 85,
                    "tile", TRUE, "tile_width", 512, "tile_height", 512, "pyramid", TRUE, "subifd",
                    TRUE, nullptr) != 0)
    vips_failed();
  if (const int f = ::open(rest[1], O_RDONLY); f >= 0) ::fsync(f), ::close(f);
  std::printf("wall %.6f\ncpu %.6f\n", clock.wall(), clock.cpu());
}

void phase(int n, char** rest) {
  const Mat a = density(cv::imread(rest[0], cv::IMREAD_UNCHANGED)),
            b = density(cv::imread(rest[1], cv::IMREAD_UNCHANGED));
  const int side = std::atoi(rest[2]);
  Mat window;
  cv::createHanningWindow(window, {side, side}, CV_32F);
  for (int i = 3, k = 0; i + 1 < n; i += 2, ++k) {
    const cv::Rect at(std::atoi(rest[i]), std::atoi(rest[i + 1]), side, side);
    const auto d = cv::phaseCorrelate(a(at), b(at), window);
    std::printf("dx%d %.9g\ndy%d %.9g\n", k, d.x, k, d.y);
  }
}

void run(int n, char** arguments) {
  const std::string what = n > 1 ? arguments[1] : "";
  if (what == "merge" && n == 8)
    merge(arguments + 2);
  else if ((what == "warp-opencv" || what == "warp-libvips") && n == 12)
    warp(what == "warp-opencv", arguments + 2);
  else if (what == "pyramid-libvips" && n == 4)
    pyramid(arguments + 2);
  else if (what == "phase" && n > 6)
    phase(n - 2, arguments + 2);
  else if (n == 13)
    register_laps(what, arguments + 2);
  else
    throw std::runtime_error("see the head of peers.cc");
}

}  // namespace
}  // namespace lapwright::bench

int main(int n, char** arguments) {
  if (vips_init(arguments[0]) != 0) return 70;
  cv::setNumThreads(2);
  vips_concurrency_set(2);
  try {
    lapwright::bench::run(n, arguments);
  } catch (const std::exception& e) {
    std::string text = e.what();
    for (char& c : text) c = c == '\n' ? ' ' : c;
    std::printf("failed %s\n", text.c_str());
  }
  std::printf("peak_mb %.3f\n", lapwright::bench::peak_mb());
  return 0;
}
