// Every kept input, and every one that was once a finding (seeds/TARGET/found-*), through the
// entries that the fuzzers run.
#include "hostile.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <iterator>

namespace lapwright::hostile {
namespace {

namespace fs = std::filesystem;

class Kept : public ::testing::TestWithParam<Target> {};

TEST_P(Kept, InputsBreakNoPromise) {
  int inputs = 0;
  for (const auto& file :
       fs::directory_iterator(fs::path(TESTS_DIR) / "hostile" / "seeds" / GetParam().name)) {
    std::ifstream in(file.path(), std::ios::binary);
    const std::string bytes{std::istreambuf_iterator<char>(in), {}};
    EXPECT_NO_THROW(GetParam().run(bytes)) << file.path().filename();
    // Cut short and doubled they are other inputs.
    for (const std::size_t n : {bytes.size() / 3, bytes.size() * 2 / 3,
                                bytes.size() - std::min<std::size_t>(bytes.size(), 1)})
      EXPECT_NO_THROW(GetParam().run(std::string_view(bytes).substr(0, n)))
          << file.path().filename() << " cut to " << n;
    EXPECT_NO_THROW(GetParam().run(bytes + bytes)) << file.path().filename() << " twice";
    ++inputs;
  }
  EXPECT_GT(inputs, 0);
}

INSTANTIATE_TEST_SUITE_P(Hostile, Kept, ::testing::ValuesIn(targets),
                         [](const auto& test) { return std::string(test.param.name); });

}  // namespace
}  // namespace lapwright::hostile
