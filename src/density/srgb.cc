#include <lcms2.h>

#include <algorithm>

#include "density/density.h"

namespace lapwright::density {

std::vector<unsigned char> srgb_icc_profile() {
  std::vector<unsigned char> bytes;
  cmsHPROFILE profile = cmsCreate_sRGBProfile();
  cmsUInt32Number size = 0;
  if (profile && cmsSaveProfileToMem(profile, nullptr, &size)) {
    bytes.resize(size);
    if (!cmsSaveProfileToMem(profile, bytes.data(), &size)) bytes.clear();
  }
  if (profile) cmsCloseProfile(profile);
  // The header's creation date (bytes 24 to 35) would make every proof's checksum new.
  if (bytes.size() >= 128) std::fill(bytes.begin() + 24, bytes.begin() + 36, static_cast<unsigned char>(0));
  return bytes;
}

}  // namespace lapwright::density
