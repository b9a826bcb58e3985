#include "profile/profile.h"

#include <algorithm>
#include <cmath>

#include "bed/bed.h"
#include "hostile.h"
#include "plan/plan.h"
#include "plan_check.h"

namespace lapwright::hostile {
namespace {

constexpr const char* name = "hostile.yaml";

profile::Shelf shelf() { return profile::Shelf({std::filesystem::path(SOURCE_DIR) / "profiles"}); }

void use(const profile::BedProfile& bed) {
  static const profile::SleeveProfile sleeve = *shelf().sleeve("135-7x5");
  must(std::find(bed.ppi.begin(), bed.ppi.end(), bed.proof_ppi()) != bed.ppi.end(),
       "a proof resolution that is not listed");
  for (const Ppi ppi : bed.ppi) {
    const double seconds = bed.seconds(ppi, to_pixels(bed.window.height, ppi));
    must(std::isfinite(seconds) && seconds >= 0, "a pass of " + std::to_string(seconds) + " s");
  }
  if (bed.match)
    (void)bed::matches(bed.match->vendor, bed.match->model,
                       {"test:0", "practice", "flatbed with an 8 x 10 window", "flatbed scanner"});
  check_made(plan::make_plan(sleeve, bed, bed.proof_ppi()), sleeve, bed);
}

void use(const profile::SleeveProfile& sleeve) {
  static const profile::BedProfile bed = *shelf().bed("a4-window-8x10");
  const Rect<SleeveSpace> page{{0}, {0}, sleeve.page.width, sleeve.page.height};
  for (int i = 0; i < sleeve.strips.count; ++i) {
    must(page.contains(sleeve.strip(i)), "a strip outside the page");
    for (int j = 0; j < sleeve.strips.frames; ++j)
      must(sleeve.strip(i).contains(sleeve.frame_area(i, j)), "a frame outside its strip");
  }
  check_made(plan::make_plan(sleeve, bed, bed.proof_ppi()), sleeve, bed);
}

template <class T>
void read(const Result<T>& parsed) {
  if (!parsed) return must_refuse(parsed.error(), Fault::bad_profile, std::string(name) + ":");
  if constexpr (requires { use(*parsed); }) use(*parsed);
}

}  // namespace

void profile(std::string_view bytes) {
  const std::string text(bytes);
  const auto holds = [&](const char* key) { return text.find(key) != std::string::npos; };
  if (holds("sleeve:"))
    read(profile::parse_sleeve(text, name));
  else if (holds("stock:"))
    read(profile::parse_stock(text, name));
  else if (holds("convert:") || holds("archive:"))
    read(profile::parse_config(text, name));
  else
    read(profile::parse_bed(text, name));
}

}  // namespace lapwright::hostile
