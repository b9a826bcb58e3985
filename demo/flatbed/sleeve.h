// The sleeve of film: page, pockets, strips, perforations, edge print, pictures, dust; light through it at any place.
//
// A pure function of sleeve position and the description's seed, so every pass sees the same film.
// Units: sleeve millimetres; transmission 0..1 over open light. Thread: const after making. Errors: none.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <vector>

#include "album.h"
#include "core/geometry.h"
#include "description.h"
#include "film.h"

namespace lapwright::flatbed {

struct FilmSpace {};  // one strip: x along it from its start, y across from its upper edge, mm

struct Strip {
  int number = 1;
  Affine<SleeveSpace, FilmSpace> place;
  double length = 0, width = 0;
  double perforation_start = 0;      // centre of the first perforation
  std::vector<double> frame_starts;
  int first_frame = 0;               // index into the roll
  int edge_pixels = 0;               // print along the two edges: exposure 0..255, 40 a mm
  std::array<std::vector<std::uint8_t>, 2> edge_print;
};

/// A speck or a bit of a hair.
struct Speck {
  float x, y, radius, density;
};

class Sleeve {
 public:
  static constexpr double perforation_pitch = 4.750;  // READ trade.md 1.1
  static constexpr double perforation_along = 1.981, perforation_across = 2.794;
  static constexpr double edge_to_perforation = 2.01, perforation_corner = 0.51;

  Sleeve(const Description& description, std::shared_ptr<const Album> album, const std::vector<double>& slides);

  /// A straight run of points: place = from + t * direction, t ascending.
  struct Line {
    Spot<SleeveSpace> from;
    double dx = 1, dy = 0;
    const double* t = nullptr;
    int count = 0;
    double pixel = 0.01;  // how wide one point sees, mm
    bool infrared = false;  // dyes hardly hold it back; silver and dust do (common practice, no source)
  };
  /// Multiplies `light` (3 values a point) by what lies there. `touched` marks the pictures that were looked at.
  void dim(const Line& line, float* light, std::vector<std::uint8_t>& touched) const;

  const std::vector<Strip>& strips() const { return strips_; }
  const std::vector<Speck>& dust() const { return dust_; }
  /// Corners of a frame in sleeve mm, clockwise from the top left as the picture is read.
  std::array<Spot<SleeveSpace>, 4> frame_corners(const Strip& strip, int frame) const;
  const Album& album() const { return *album_; }

 private:
  void dim_page(const Line& line, float* light) const;
  void dim_strip(const Strip& strip, const Line& line, float* light, std::vector<std::uint8_t>& touched) const;
  float perforation(const Strip& strip, double u, double v, double pixel) const;
  void print_edges(Strip& strip) const;

  Description d_;
  std::shared_ptr<const Album> album_;
  Film film_;
  Transmission transmission_;
  std::vector<Strip> strips_;
  std::vector<Speck> dust_;
  std::vector<std::int8_t> grain_;  // 512 x 512 x 4
  std::vector<float> smudge_;       // 256 x 256, density of the page's own unevenness
  std::array<Densities, 256> print_;
  Densities base_{};
};

std::vector<Speck> scatter_dust(double width, double height, double per_cm2, std::uint32_t seed);

}  // namespace lapwright::flatbed
