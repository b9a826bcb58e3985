#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <string>

#include "core/json.h"
#include "plan/plan.h"

namespace lapwright {
namespace {

struct Ran {
  int code = 0;
  std::string out;
};
/// Runs the program with these arguments through the shell; standard error goes to standard output when `both`.
Ran run(const std::string& arguments, bool both = false) {
  const std::string command = "XDG_CONFIG_HOME=/nonexistent " LAPWRIGHT_PROGRAM " " + arguments + (both ? " 2>&1" : " 2>/dev/null");
  Ran r;
  FILE* pipe = ::popen(command.c_str(), "r");
  std::array<char, 4096> part{};
  while (const auto n = std::fread(part.data(), 1, part.size(), pipe)) r.out.append(part.data(), n);
  r.code = WEXITSTATUS(::pclose(pipe));
  return r;
}

TEST(PlanCommand, PrintsATableOrOneDocument) {
  const Ran table = run("plan --sleeve 135-7x5 --bed a4-window-8x10 --ppi 2400");
  EXPECT_EQ(table.code, 0);
  EXPECT_NE(table.out.find("pass 1: Lay the sleeve with its binding edge towards"), std::string::npos) << table.out;
  const Ran json = run("plan --sleeve 135-7x5 --bed a4-window-8x10 --ppi 2400 --json");
  auto parsed = core::parse_json(json.out, "output");
  ASSERT_TRUE(parsed) << json.out;
  EXPECT_TRUE(plan::from_json(*parsed, "output"));
}

TEST(PlanCommand, ComplaintsHaveOneLineAndTheirCode) {
  const Ran ppi = run("plan --sleeve 135-7x5 --bed a4-window-8x10 --ppi 700", true);
  EXPECT_EQ(ppi.code, 64);
  EXPECT_NE(ppi.out.find("300, 600"), std::string::npos) << ppi.out;
  EXPECT_EQ(run("plan --sleeve nothing-such --bed a4-window-8x10").code, 66);
  const Ran lap = run("plan --sleeve 135-7x5 --bed a4-window-8x10 --lap 250", true);
  EXPECT_EQ(lap.code, 65) << lap.out;
  EXPECT_NE(lap.out.find("cannot be laid"), std::string::npos);
  EXPECT_EQ(std::count(lap.out.begin(), lap.out.end(), '\n'), 1);
}

}  // namespace
}  // namespace lapwright
