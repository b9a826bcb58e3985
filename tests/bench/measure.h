// Every measured case in a process of its own: what it found, its time and its own peak memory; and
// the tables that tell.
//
// Units: seconds, MB of 10^6 bytes. Thread: one. Errors: a case that died or failed says so in
// `failed`.
#pragma once

#include <functional>
#include <map>
#include <string>
#include <vector>

namespace lapwright::bench {

using Values = std::map<std::string, double>;

struct Measured {
  Values values;
  std::string failed, note;
  double peak_mb = 0;  // VmHWM of the process, from when `work` began
  double at(const std::string& key) const;
};

struct Told {
  Values values;
  std::string failed, note;
};

/// Runs `work` in a forked child.
Measured in_child(const std::function<Told()>& work);
/// Runs a program that prints lines "key value", "note ...", "failed ..." (peak_mb among them).
Measured in_program(const std::vector<std::string>& command);

class Clock {
 public:
  Clock();
  double wall() const;
  double cpu() const;  // of this process, all threads

 private:
  double wall_, cpu_;
};

/// The peak memory of this process so far, and its reset.
double peak_mb();
void reset_peak();

/// Columns of a table, printed row by row so that a long run shows where it is.
class Table {
 public:
  Table(std::string title, std::vector<std::string> heads, std::vector<int> widths);
  void row(const std::vector<std::string>& cells) const;

 private:
  std::vector<int> widths_;
};

std::string number(double v, int digits);

/// What the project asks of itself, and what was measured.
class Figures {
 public:
  /// The worst measured value counts.
  void expect(const std::string& what, double measured, double at_most);
  void missing(const std::string& what, const std::string& why);
  /// Prints them all; true when all hold.
  bool print() const;

 private:
  struct Figure {
    std::string what;
    double measured = 0, at_most = 0;
    int cases = 0;
    std::string why;
  };
  std::vector<Figure> figures_;
};

}  // namespace lapwright::bench
