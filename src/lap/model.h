// What is fitted to the matches of a lap: b's place with its carriage's curve, the curve that
// follows a's rows, and the slide of each strip that is free to have slid.
//
// Invariants: everything has a prior, so that what no match shows stays where it is expected.
// Units: pixels of b, sleeve mm. Thread: value; the matches it uses must outlive it. Errors: none
// but what step() tells.
#pragma once

#include <array>
#include <functional>
#include <vector>

#include "lap/fit.h"

namespace lapwright::lap {

/// dx and dy over rows of b, or of a where they follow a.
struct Curves {
  Curve dx, dy;
  bool of_a = false;
  std::array<double, 2> ridge_px{1, 1}, bend_px{0, 0};  // priors of dx, dy; 0: none on bends
  std::vector<std::size_t> place;  // a knot's unknowns in the system: 2 * place and the next
  std::size_t size() const { return dx.coefficients.size(); }
  Spot<PassSpace> operator()(double row) const;
};

class Model {
 public:
  using LeftOut = std::function<bool(std::size_t)>;
  Model(const std::vector<Match>& matches, const Placement& a,
        const Affine<SleeveSpace, PassSpace>& start, const FitOptions& options);

  Placement b() const;
  /// The same matches, kept elsewhere.
  void use(const std::vector<Match>& matches) { matches_ = &matches; }
  const std::vector<Spot<PassSpace>>& slide() const { return slide_; }
  double per_mm() const { return per_mm_; }
  bool quarter_turned() const { return quarter_; }
  /// A strip that slid has a shift of its own; one that is held has none.
  void free_strip(std::size_t k) { free_[k] = true; }
  bool is_free(std::size_t k) const { return free_[k]; }
  void hold_strip(std::size_t k) { slide_[k] = {}, free_[k] = false; }
  /// The same places told from where the strips in `still` lie, which did not slide then.
  void refer_to(const std::vector<std::size_t>& still);

  /// Fine curves beside the smooth ones, on knots half as far apart at each call; they begin at
  /// nothing.
  void halve_knots();
  /// Their prior as large as they turned out to be mostly, so that they do not swing where there is
  /// no evidence.
  void tame_finer();

  /// Where each match was measured, less where the model puts it.
  std::vector<Spot<PassSpace>> errors() const;

  /// What the priors say against the curves and slides as they are, in sigmas squared.
  double strain() const;

  /// One Gauss-Newton step with the matches' weights, without those left out; false where nothing
  /// can be solved.
  bool step(const LeftOut& left_out = {});

 private:
  static constexpr std::size_t globals = 10;  // shift x, y, turn, scale x, y, shear, bow
  double a_row(Spot<SleeveSpace> s) const { return a_row_.x * s.x + a_row_.y * s.y + a_row_.at; }

  std::array<const Curves*, 4> curves() const {
    return {&own_, &followed_, &finer_own_, &finer_followed_};
  }
  std::size_t unknowns_of_curves() const {
    std::size_t n = 0;
    for (const Curves* c : curves()) n += 2 * c->size();
    return n;
  }

  /// Knots of all curves in the order of b's rows where a's run alongside, so that the system stays
  /// a narrow band.
  void arrange();

  Affine<SleeveSpace, PassSpace> affine() const;
  Spot<PassSpace> error(std::size_t i, const Affine<SleeveSpace, PassSpace>& now) const;
  Bow bow() const { return {middle_, half_, {global_[6], global_[7]}, {global_[8], global_[9]}}; }

  const std::vector<Match>* matches_;
  std::vector<Spot<SleeveSpace>> places_;
  std::size_t strips_;
  Follow a_row_;
  Spot<SleeveSpace> centre_;
  Spot<PassSpace> origin_;
  Affine<SleeveSpace, PassSpace> base_;
  bool quarter_ = false, lens_ = false;
  double middle_ = 0, half_ = 1;
  double per_mm_ = 1, a_to_b_row_ = 0;
  std::array<double, globals> global_{};
  std::vector<bool> free_;
  Information slide_prior_;  // along the pocket a strip slides freely, across hardly
  Curves own_, followed_, finer_own_, finer_followed_;
  std::vector<Spot<PassSpace>> slide_;
};

}  // namespace lapwright::lap
