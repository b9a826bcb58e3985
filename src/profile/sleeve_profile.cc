#include "profile/profile.h"
#include "profile/section.h"

namespace lapwright::profile {
namespace {

std::string mm_text(Micrometres m) { return number_text(m.mm()) + " mm"; }

/// What only holds between several keys.
void check_fit(const SleeveProfile& s, const Section& frame, const Section& strips) {
  if (s.frame.advance < s.frame.width) {
    frame.wrong("advance",
                mm_text(s.frame.advance) +
                    " from frame to frame is less than the frame's width; must be at least " +
                    mm_text(s.frame.width));
  }
  if (s.frame.height > s.film_width()) {
    frame.wrong("height", mm_text(s.frame.height) + " is more than the film is wide (" +
                              mm_text(s.film_width()) +
                              "); width goes along the strip, height across it");
  }
  if (s.strips.count > 1 && s.strips.pitch < s.film_width()) {
    strips.wrong("pitch", mm_text(s.strips.pitch) + " from strip to strip would lay film " +
                              mm_text(s.film_width()) + " wide over itself; must be at least " +
                              mm_text(s.film_width()));
  }
  const Micrometres needed = s.frame.advance * (s.strips.frames - 1) + s.frame.width;
  if (s.strips.length < needed) {
    strips.wrong("length", mm_text(s.strips.length) + " cannot hold " +
                               std::to_string(s.strips.frames) + " frames; must be at least " +
                               mm_text(needed));
  }
  const Rect<SleeveSpace> page{{0}, {0}, s.page.width, s.page.height};
  const Rect<SleeveSpace> block = s.block();
  if (!page.contains(block)) {
    strips.wrong("first", "the strips reach to x " + mm_text(block.right()) + ", y " +
                              mm_text(block.bottom()) + ", outside the page of " +
                              number_text(s.page.width.mm()) + " x " + mm_text(s.page.height) +
                              "; check first, count, pitch and length");
  }
}

}  // namespace

Micrometres SleeveProfile::film_width() const {
  if (strips.width) return *strips.width;
  switch (film) {
    case Film::f135:
      return {34975};  // trade.md 1.1
    case Film::f120:
      return {61500};  // trade.md 1.2
    case Film::sheet:
      break;
  }
  return frame.height + Micrometres{6000};
}

Rect<SleeveSpace> SleeveProfile::strip(int i) const {
  const Micrometres shift = strips.pitch * i;
  if (strips.run == Run::right)
    return {strips.first.x, strips.first.y + shift, strips.length, film_width()};
  return {strips.first.x + shift, strips.first.y, film_width(), strips.length};
}

Rect<SleeveSpace> SleeveProfile::frame_area(int i, int j) const {
  const Rect<SleeveSpace> area = strip(i);
  const Micrometres used = frame.advance * (strips.frames - 1) + frame.width;
  const Micrometres along = (strips.length - used) / 2 + frame.advance * j;
  const Micrometres across = (film_width() - frame.height) / 2;
  if (strips.run == Run::right) return {area.x + along, area.y + across, frame.width, frame.height};
  return {area.x + across, area.y + along, frame.height, frame.width};
}

Rect<SleeveSpace> SleeveProfile::block() const { return strip(0).hull(strip(strips.count - 1)); }

Result<SleeveProfile> parse_sleeve(const std::string& yaml, const std::string& file) {
  const auto tree = parse_yaml(yaml, file, Fault::bad_profile);
  if (!tree) return fail(tree.error());
  Complaint complaint(file, Fault::bad_profile);
  const Section top(*tree, "", complaint, {"sleeve", "about", "page", "film", "frame", "strips"});
  SleeveProfile s;
  s.file = file;
  s.name = top.name("sleeve");
  s.about = top.text("about");
  const Section page = top.part("page", {"width", "height"});
  s.page = {page.mm("width", 20, 1000), page.mm("height", 20, 1000)};
  s.film =
      std::vector{Film::f135, Film::f120, Film::sheet}[top.word("film", {"135", "120", "sheet"})];
  const Section frame = top.part("frame", {"width", "height", "advance"});
  s.frame = {frame.mm("width", 5, 500), frame.mm("height", 5, 500), frame.mm("advance", 5, 600)};
  const Section strips =
      top.part("strips", {"count", "frames", "first", "pitch", "length", "run", "width"});
  s.strips.count = static_cast<int>(strips.whole("count", 1, 50));
  s.strips.frames = static_cast<int>(strips.whole("frames", 1, 50));
  const Section first = strips.part("first", {"x", "y"});
  s.strips.first = {first.mm("x", 0, 1000), first.mm("y", 0, 1000)};
  s.strips.pitch = strips.mm("pitch", 5, 600);
  s.strips.length = strips.mm("length", 5, 1000);
  s.strips.run = strips.word("run", {"right", "down"}) == 0 ? Run::right : Run::down;
  if (strips.has("width")) s.strips.width = strips.mm("width", 5, 500);
  if (!complaint.any()) check_fit(s, frame, strips);
  if (complaint.any()) return fail(complaint.error());
  return s;
}

}  // namespace lapwright::profile
