// What was asked of a device: set, remembered with its reason, and compared with what stands there
// afterwards.
//
// Invariants: an option is remembered once, with the value asked last; its first value is kept. The
// bed profile's own options
//   outrank what would be asked. Units: as the option's own. Thread: the worker's only thread.
// Errors: bad_profile for an option of the profile that the device does not take; the device's own.
#pragma once

#include <map>
#include <set>
#include <string>
#include <vector>

#include "bed/bed.h"
#include "bed/option.h"

namespace lapwright::bed {

/// Whether a pass is worth anything when the option does not keep its value.
enum class Weight { essential, wished };

class Asking {
 public:
  Asking(Surface& surface, const std::map<std::string, std::string>& own)
      : surface_(surface), own_(own) {}

  /// Whether the bed profile names the option.
  bool own(const Option& o) const { return own_.contains(o.name); }
  const std::string& own_value(const Option& o) const { return own_.at(o.name); }
  Result<> set(int index, const std::vector<double>& values, Weight weight, const std::string& why);
  Result<> set(int index, const std::string& value, Weight weight, const std::string& why);
  /// Sets what the bed profile says.
  Result<> set_own(const Option& o);
  /// All of the profile's options that are awake; an unknown name is an error.
  Result<> set_all_own();
  /// Understood and left alone on purpose.
  void leave(const std::string& name) { left_.insert(name); }
  bool left(const std::string& name) const { return left_.contains(name); }
  bool asked(const std::string& name) const { return find(name) != nullptr; }

  /// In the order of their first asking, `kept` as the device is now.
  std::vector<Setting> settings() const;
  /// What does not stand as asked: "gamma: asked 1, is 1.8". The first essential one fails `kept`.
  std::vector<std::string> differs() const;
  Result<> essentials_kept() const;
  /// An option of the profile that never woke is an error.
  Result<> own_awake() const;

 private:
  struct Asked {
    std::string name, value, was, why;
    Weight weight;
  };
  const Asked* find(const std::string& name) const;
  void remember(const Option& o, const std::string& value, Weight weight, const std::string& why);
  /// The value that stands instead of the one asked; nothing when it was kept or cannot be read.
  std::optional<std::string> instead(const Asked& a) const;

  Surface& surface_;
  const std::map<std::string, std::string>& own_;
  std::vector<Asked> asked_;
  std::set<std::string> left_;
};

}  // namespace lapwright::bed
