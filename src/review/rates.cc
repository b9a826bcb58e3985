#include "review/rates.h"

#include <algorithm>

namespace lapwright::review {

double Rates::spend(const std::string& who, double now, double cost) {
  const auto full = [&](const Left& l) { return l.amount + (now - l.at) * a_second_ >= at_once_; };
  if (left_.size() >= most_known && !left_.contains(who))
    std::erase_if(left_, [&](const auto& one) { return full(one.second); });
  const bool room = left_.size() < most_known || left_.contains(who);
  Left& left = left_.try_emplace(room ? who : std::string(), Left{at_once_, now}).first->second;
  left.amount = std::min(at_once_, left.amount + std::max(0.0, now - left.at) * a_second_);
  left.at = now;
  if (left.amount < cost) return (cost - left.amount) / a_second_;
  left.amount -= cost;
  return 0;
}

}  // namespace lapwright::review
