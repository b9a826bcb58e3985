// Linear 16-bit TIFF: written while it comes in, hashed while written, whole or absent.
//
// Invariants: RGB, contiguous, uncompressed, 16 bits a sample, resolution tags, a linear ICC profile, a description that
//   starts "scanner-linear"; BigTIFF only where the file could pass 3.9 GiB. Under its final name the file is whole.
// Units: pixels, bytes. Thread: one object in one thread. Errors: cannot_create, io; no_input, bad_data when reading.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "core/files.h"
#include "core/result.h"
#include "image/rgb.h"

namespace lapwright::raw {

struct Tags {
  std::string roll, page;                  // DocumentName, PageName ("pass 1", "sheet", "12A")
  std::string make, model;                 // of the flatbed
  std::string date_time;                   // "YYYY:MM:DD HH:MM:SS"; empty: now
  std::string note;                        // added to the description
};

struct Written { std::filesystem::path path; std::string sha256; std::uint64_t bytes = 0; std::int64_t height = 0; };

/// Whether a large file's pages stay in the system's cache, for one who reads it soon, or go past it, which costs less.
enum class Cached { keep, pass_by };

class Writer : public image::RowSink {
 public:
  /// height < 0: not known yet; `most_rows` then bounds the file for the choice of BigTIFF.
  static Result<std::unique_ptr<Writer>> create(const std::filesystem::path& path, std::int64_t width, std::int64_t height,
                                                Ppi ppi, const Tags& tags, std::int64_t most_rows = 0,
                                                Cached cached = Cached::keep);
  /// Into a file that was made, and its room reserved, before the picture's size was known to the pixel.
  static Result<std::unique_ptr<Writer>> create(core::NewFile file, std::int64_t width, std::int64_t height, Ppi ppi,
                                                const Tags& tags, std::int64_t most_rows = 0,
                                                Cached cached = Cached::keep);
  /// finish() flushes, names and returns the file; without it the partial file is withdrawn. `note`
  /// (ASCII) is what can only be said now, added to the description.
  virtual Result<Written> finish(const std::string& note = {}) = 0;
};

struct Info { std::int64_t width = 0, height = 0; Ppi ppi; std::string description; bool big = false; std::string make{}, model{}; };

class Reader : public image::RowSource {
 public:
  /// Refuses anything but 16-bit contiguous RGB with whole strips (bad_data names what it found), before memory is asked for.
  static Result<std::unique_ptr<Reader>> open(const std::filesystem::path& path);
  virtual const Info& info() const = 0;
};

/// A gamma 1.0 RGB profile with sRGB primaries, as bytes (made once with lcms2's file format, kept in linear_icc.cc).
std::vector<unsigned char> linear_icc_profile();

}  // namespace lapwright::raw
