#include "bench/measure.h"

#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstring>
#include <ctime>
#include <fstream>
#include <memory>

namespace lapwright::bench {
namespace {

Measured read_lines(std::FILE* from) {
  Measured m;
  char line[4000];
  while (std::fgets(line, sizeof line, from) != nullptr) {
    line[std::strcspn(line, "\n")] = 0;
    char key[64];
    int used = 0;
    if (std::sscanf(line, "%63s %n", key, &used) != 1) continue;
    const char* rest = line + used;
    if (std::strcmp(key, "failed") == 0)
      m.failed = rest;
    else if (std::strcmp(key, "note") == 0)
      m.note = rest;
    else if (std::strcmp(key, "peak_mb") == 0)
      m.peak_mb = std::atof(rest);
    else
      m.values[key] = std::atof(rest);
  }
  return m;
}

void ended(Measured& m, int status) {
  if (!m.failed.empty()) return;
  if (WIFSIGNALED(status))
    m.failed = "ended by signal " + std::to_string(WTERMSIG(status));
  else if (WEXITSTATUS(status) != 0)
    m.failed = "exit " + std::to_string(WEXITSTATUS(status));
}

/// What the child writes to the pipe, and how it ended.
Measured heard(pid_t child, const int (&ends)[2]) {
  close(ends[1]);
  std::FILE* in = fdopen(ends[0], "r");
  Measured m = read_lines(in);
  std::fclose(in);
  int status = 0;
  waitpid(child, &status, 0);
  ended(m, status);
  return m;
}

}  // namespace

double Measured::at(const std::string& key) const {
  const auto i = values.find(key);
  return i == values.end() ? std::nan("") : i->second;
}

double peak_mb() {
  std::ifstream in("/proc/self/status");
  std::string word;
  while (in >> word)
    if (word == "VmHWM:") {
      double kib = 0;
      in >> kib;
      return kib * 1024 / 1e6;
    }
  return std::nan("");
}

void reset_peak() { std::ofstream("/proc/self/clear_refs") << "5"; }

Measured in_child(const std::function<Told()>& work) {
  int ends[2];
  if (pipe(ends) != 0) return {{}, "no pipe", "", 0};
  std::fflush(nullptr);
  const pid_t child = fork();
  if (child == 0) {
    close(ends[0]);
    reset_peak();
    const Told told = work();
    const double peak = peak_mb();
    std::FILE* out = fdopen(ends[1], "w");
    for (const auto& [key, value] : told.values)
      std::fprintf(out, "%s %.17g\n", key.c_str(), value);
    if (!told.note.empty()) std::fprintf(out, "note %s\n", told.note.c_str());
    if (!told.failed.empty()) std::fprintf(out, "failed %s\n", told.failed.c_str());
    std::fprintf(out, "peak_mb %.3f\n", peak);
    std::fclose(out);
    std::fflush(nullptr);
    _exit(0);
  }
  return heard(child, ends);
}

Measured in_program(const std::vector<std::string>& command) {
  int ends[2];
  if (pipe(ends) != 0) return {{}, "no pipe", "", 0};
  std::fflush(nullptr);
  const pid_t child = fork();
  if (child == 0) {
    dup2(ends[1], 1);
    close(ends[0]), close(ends[1]);
    std::vector<char*> arguments;
    for (const auto& a : command) arguments.push_back(const_cast<char*>(a.c_str()));
    arguments.push_back(nullptr);
    execv(arguments[0], arguments.data());
    _exit(127);
  }
  return heard(child, ends);
}

namespace {
double cpu_now() {
  timespec t{};
  clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
  return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_nsec) * 1e-9;
}
double wall_now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}
}  // namespace

Clock::Clock() : wall_(wall_now()), cpu_(cpu_now()) {}
double Clock::wall() const { return wall_now() - wall_; }
double Clock::cpu() const { return cpu_now() - cpu_; }

std::string number(double v, int digits) {
  if (!std::isfinite(v)) return "-";
  char text[40];
  std::snprintf(text, sizeof text, "%.*f", digits, v);
  return text;
}

Table::Table(std::string title, std::vector<std::string> heads, std::vector<int> widths)
    : widths_(std::move(widths)) {
  std::printf("\n%s\n", title.c_str());
  row(heads);
}

void Table::row(const std::vector<std::string>& cells) const {
  std::string line;
  for (std::size_t i = 0; i < cells.size(); ++i) {
    const int w = i < widths_.size() ? widths_[i] : 0;  // negative: left-aligned
    const auto pad =
        static_cast<std::size_t>(std::max(0, std::abs(w) - static_cast<int>(cells[i].size())));
    line += w < 0 ? cells[i] + std::string(pad, ' ') : std::string(pad, ' ') + cells[i];
    if (i + 1 < cells.size()) line += "  ";
  }
  std::printf("%s\n", line.c_str());
  std::fflush(stdout);
}

void Figures::expect(const std::string& what, double measured, double at_most) {
  for (Figure& f : figures_)
    if (f.what == what) {
      if (!std::isfinite(measured) || measured > f.measured)
        f.measured = std::isfinite(f.measured) ? measured : f.measured;
      ++f.cases;
      return;
    }
  figures_.push_back({what, measured, at_most, 1, ""});
}

void Figures::missing(const std::string& what, const std::string& why) {
  figures_.push_back({what, std::nan(""), 0, 0, why});
}

bool Figures::print() const {
  const Table table("Figures asked for, the worst of the cases measured in this run",
                    {"", "measured", "at most", "cases", ""}, {-78, 10, 10, 6, -14});
  bool all = true;
  for (const Figure& f : figures_) {
    const bool holds = f.cases > 0 && std::isfinite(f.measured) && f.measured <= f.at_most;
    all = all && holds;
    table.row({f.what, number(f.measured, 4), f.cases > 0 ? number(f.at_most, 4) : "-",
               std::to_string(f.cases),
               f.cases == 0 ? "not measured: " + f.why
               : holds      ? "holds"
                            : "DOES NOT HOLD"});
  }
  return all;
}

}  // namespace lapwright::bench
