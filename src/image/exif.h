// The small Exif directory of a TIFF: when the picture was digitised, and a name of its own for it.
//
// CIPA DC-008 (Exif 2.32): DateTimeDigitized, OffsetTimeDigitized, ImageUniqueID; ExifVersion goes with
// them. Units: bytes, little-endian as the machine's libtiff writes. Thread: values. Errors: none.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

namespace lapwright::image {

/// A directory to stand at `offset` of a classic TIFF or a BigTIFF; an even number of bytes, the same for every
/// `offset`. `date_time` is UTC, "YYYY:MM:DD HH:MM:SS"; `unique` is 32 hexadecimal digits.
std::vector<unsigned char> exif_directory(std::uint64_t offset, bool big, const std::string& date_time,
                                          const std::string& unique);
/// 128 bits that tell one capture of one picture from every other.
std::string unique_id(const std::vector<std::string>& of);

}  // namespace lapwright::image
