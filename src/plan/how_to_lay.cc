#include "plan/how_to_lay.h"

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <optional>

#include "plan/refusal.h"

namespace lapwright::plan {
namespace {

/// The side towards which a direction of the sleeve points on the bed.
Side towards(const Lay& lay, double sx, double sy) {
  const auto& m = lay.sleeve_to_bed;
  const double x = m.a * sx + m.c * sy, y = m.b * sx + m.d * sy;
  if (std::abs(x) > std::abs(y)) return x > 0 ? Side::right : Side::left;
  return y > 0 ? Side::front : Side::back;
}

std::string towards_text(Side s) { return s == Side::back ? "the hinge" : std::string("the ") + side_name(s); }

/// "its edge 8 mm behind the window's back edge".
std::string edge_text(Um over, Side side) {
  const std::string edge = side == Side::back ? "back" : side_name(side);
  if (std::abs(over) < 50) return "on the window's " + edge + " edge";
  return mm_text(std::abs(over)) + (over > 0 ? " past the window's " : " inside the window's ") + edge + " edge";
}

}  // namespace

const char* side_name(Side side) {
  switch (side) {
    case Side::left: return "left";
    case Side::right: return "right";
    case Side::back: return "hinge";
    case Side::front: return "front";
  }
  return "";
}

Rect<BedSpace> page_on_bed(const Pass& pass, const profile::SleeveProfile& sleeve) {
  return core::bounds(pass.lay.sleeve_to_bed, Rect<SleeveSpace>{{0}, {0}, sleeve.page.width, sleeve.page.height});
}

Side binding_side(const Lay& lay) { return towards(lay, -1, 0); }
Side top_side(const Lay& lay) { return towards(lay, 0, -1); }

Um overhang(const Rect<BedSpace>& page, const Rect<BedSpace>& window, Side side) {
  switch (side) {
    case Side::left: return (window.x - page.x).value;
    case Side::right: return (page.right() - window.right()).value;
    case Side::back: return (window.y - page.y).value;
    case Side::front: return (page.bottom() - window.bottom()).value;
  }
  return 0;
}

std::string how_to_lay(const Plan& plan, const Pass& pass, const profile::SleeveProfile& sleeve, const profile::BedProfile& bed) {
  const Rect<BedSpace> page = page_on_bed(pass, sleeve);
  const Pass* before = nullptr;
  for (const Pass& p : plan.passes)
    if (p.number == pass.number - 1) before = &p;
  const bool same = before && before->lay.turn == pass.lay.turn && before->lay.mirrored == pass.lay.mirrored;
  if (same) {
    const Rect<BedSpace> from = page_on_bed(*before, sleeve);
    const Um dx = (page.x - from.x).value, dy = (page.y - from.y).value;
    std::vector<std::string> moves;
    if (std::abs(dy) >= 50) moves.push_back(mm_text(std::abs(dy)) + " towards " + towards_text(dy < 0 ? Side::back : Side::front));
    if (std::abs(dx) >= 50) moves.push_back(mm_text(std::abs(dx)) + " to the " + side_name(dx < 0 ? Side::left : Side::right));
    if (moves.empty()) return "Leave the sleeve as it lies.";
    return "Slide the sleeve " + moves[0] + (moves.size() > 1 ? " and " + moves[1] : "") + ", binding edge still towards " +
           towards_text(binding_side(pass.lay)) + ".";
  }
  const auto nearer = [&](Side a, Side b) {
    return std::abs(overhang(page, bed.window, a)) <= std::abs(overhang(page, bed.window, b)) ? a : b;
  };
  const Side across = nearer(Side::left, Side::right), along = nearer(Side::back, Side::front);
  std::string text = before ? "Turn the sleeve: binding edge towards " : "Lay the sleeve with its binding edge towards ";
  text += towards_text(binding_side(pass.lay)) + " and its top towards " + towards_text(top_side(pass.lay)) + ", its " +
          (across == Side::left ? "left" : "right") + " edge " + edge_text(overhang(page, bed.window, across), across) + " and its " +
          (along == Side::back ? "rear" : "front") + " edge " + edge_text(overhang(page, bed.window, along), along) + ".";
  return text;
}

}  // namespace lapwright::plan
