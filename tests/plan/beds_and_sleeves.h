// Profiles by hand for the plan's tests. Units: millimetres.
#pragma once

#include "profile/profile.h"

namespace lapwright::plan::testing {

inline Micrometres um(double mm) { return Micrometres::from_mm(mm); }

inline profile::BedProfile bed(double width, double height, double left, double right, double front, double back) {
  profile::BedProfile b;
  b.name = "bench";
  b.window = {{0}, {0}, um(width), um(height)};
  b.overhang = {um(left), um(right), um(front), um(back)};
  b.ppi = {{300}, {600}, {1200}, {2400}, {4800}};
  return b;
}

/// A sleeve whose film block is `width` x `height` from (x, y), of `count` strips with `frames` frames running right.
inline profile::SleeveProfile sleeve(double page_w, double page_h, double x, double y, int count, int frames, double pitch = 36.2,
                                     double length = 0) {
  profile::SleeveProfile s;
  s.name = "page";
  s.page = {um(page_w), um(page_h)};
  s.frame = {um(36), um(24), um(38)};
  s.strips.count = count;
  s.strips.frames = frames;
  s.strips.first = {um(x), um(y)};
  s.strips.pitch = um(pitch);
  s.strips.length = um(length > 0 ? length : 38.0 * frames);
  return s;
}

/// One block of film w x h that fills its page: a single strip, so that margin 0 plans for exactly w x h.
inline profile::SleeveProfile block(double w, double h) {
  profile::SleeveProfile s = sleeve(w, h, 0, 0, 1, 1);
  s.frame = {um(w - 2), um(h - 2), um(w)};
  s.strips.length = um(w);
  s.strips.width = um(h);
  return s;
}

}  // namespace lapwright::plan::testing
