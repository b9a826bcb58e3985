#include "station/transition.h"

#include <gmock/gmock.h>

namespace lapwright::station {
namespace {

State in(Phase phase, int pass = 1, int of = 2) {
  State s;
  s.phase = phase;
  s.job = phase == Phase::seeking || phase == Phase::idle ? 0 : 7;
  s.pass = s.job ? pass : 0;
  s.of = s.job ? of : 0;
  return s;
}

template <class C>
bool gives(const Step& step) {
  return std::any_of(step.commands.begin(), step.commands.end(),
                     [](const Command& c) { return std::holds_alternative<C>(c); });
}

/// The step, with the state moved on; none may be refused.
Step taken(State& s, const Event& e) {
  Step step = transition(s, e);
  EXPECT_EQ(step.refused, "") << name(e);
  s = step.state;
  return step;
}

TEST(Transition, TheWholeRoadOfTwoPasses) {
  State s;
  const auto go = [&s](const Event& e) { return taken(s, e); };
  EXPECT_TRUE(gives<command::AskToPlace>(go(event::JobFound{7, 2, 0})));
  EXPECT_TRUE(gives<command::StartLook>(go(event::Key{})));
  EXPECT_TRUE(gives<command::StartCapture>(go(event::LookGood{})));
  EXPECT_TRUE(gives<command::CheckLaps>(go(event::CaptureDone{})));
  EXPECT_TRUE(gives<command::AskToPlace>(go(event::LapsGood{})));
  EXPECT_EQ(s.pass, 2);
  go(event::Key{});
  go(event::LookGood{});
  go(event::CaptureDone{});
  const Step last = go(event::LapsGood{});
  EXPECT_TRUE(gives<command::FinishJob>(last));
  EXPECT_TRUE(gives<command::FindJob>(last))
      << "the next sleeve can be placed while this one is joined";
  EXPECT_EQ(s.background, std::set<std::int64_t>{7});
  go(event::JobFound{8, 1, 0});
  go(event::JobDone{7});
  EXPECT_TRUE(s.background.empty());
  EXPECT_EQ(s.phase, Phase::placing);
}

TEST(Transition, SeveralWindowsUnderOneLayNeedOneKey) {
  State s;
  const auto go = [&s](const Event& e) { return taken(s, e); };
  go(event::JobFound{7, 2, 0});
  go(event::Key{});
  // The look says: it is another roll's sleeve, two windows, and a third pass for what lies outside.
  EXPECT_TRUE(gives<command::StartCapture>(go(event::LookGood{9, 1, 3, 2})));
  EXPECT_EQ(s.job, 9);
  go(event::CaptureDone{});
  const Step next = go(event::LapsGood{});
  ASSERT_TRUE(gives<command::StartCapture>(next));
  EXPECT_FALSE(gives<command::AskToPlace>(next));
  EXPECT_EQ(std::get<command::StartCapture>(next.commands[0]).pass, 2);
  go(event::CaptureDone{});
  EXPECT_TRUE(gives<command::AskToPlace>(go(event::LapsGood{})));
  EXPECT_EQ(s.pass, 3);
  // After a failure the sleeve may have been touched: the key, and a look, first.
  go(event::Key{});
  go(event::LookGood{9, 3, 4, 4});
  go(event::PassFailed{});
  EXPECT_EQ(s.phase, Phase::placing);
  EXPECT_EQ(s.under, 0);
  go(event::Key{});
  go(event::LookGood{9, 3, 3, 3});
  go(event::CaptureDone{});
  const Step last = go(event::LapsGood{});
  EXPECT_TRUE(gives<command::FinishJob>(last));
  EXPECT_EQ(s.background, std::set<std::int64_t>{9});
}

TEST(Transition, ACancelledPassIsAskedForAgain) {
  for (const Phase phase : {Phase::looking, Phase::capturing}) {
    Step step = transition(in(phase, 2), event::Cancel{});
    EXPECT_TRUE(gives<command::CancelBed>(step));
    EXPECT_EQ(step.state, in(phase, 2)) << "until the bed has stopped";
    step = transition(step.state, event::PassFailed{});
    ASSERT_TRUE(gives<command::AskToPlace>(step));
    EXPECT_EQ(step.state.pass, 2);
  }
}

TEST(Transition, ABadLapAsksForThatPassAloneAndDropsIt) {
  const Step step = transition(in(Phase::checking, 2), event::LapsBad{2});
  ASSERT_EQ(step.commands.size(), 2u);
  EXPECT_EQ(std::get<command::DropPass>(step.commands[0]).pass, 2);
  EXPECT_EQ(std::get<command::AskToPlace>(step.commands[1]).pass, 2);
}

TEST(Transition, ALapSeenBadWhileCapturedIsAnsweredAtOnce) {
  const Step step = transition(in(Phase::capturing, 2), event::LapsBad{1});
  EXPECT_EQ(step.refused, "");
  EXPECT_EQ(step.state.pass, 1);
  EXPECT_EQ(step.state.phase, Phase::placing);
}

TEST(Transition, AnEarlierBadPassTakesTheLaterOnesWithIt) {
  const Step step = transition(in(Phase::checking, 3, 4), event::LapsBad{2});
  ASSERT_EQ(step.commands.size(), 3u);
  EXPECT_EQ(std::get<command::DropPass>(step.commands[0]).pass, 3);
  EXPECT_EQ(std::get<command::DropPass>(step.commands[1]).pass, 2);
  EXPECT_EQ(step.state.pass, 2);
}

TEST(Transition, ARestartChecksTheLastKeptPassFirst) {
  const Step step = transition(State{}, event::JobFound{7, 3, 2});
  EXPECT_EQ(std::get<command::CheckLaps>(step.commands.at(0)).pass, 2);
  EXPECT_EQ(step.state.phase, Phase::checking);
}

TEST(Transition, AKeyDoesNothingWhereNoPlaceWaits) {
  for (const Phase phase : {Phase::seeking, Phase::idle, Phase::looking, Phase::capturing,
                            Phase::checking, Phase::stopping, Phase::stopped}) {
    const Step step = transition(in(phase), event::Key{});
    EXPECT_EQ(step.state, in(phase)) << name(phase);
    EXPECT_TRUE(step.commands.empty()) << name(phase);
    EXPECT_EQ(step.refused, "") << name(phase);
  }
}

TEST(Transition, AWithdrawalNeverStartsAnything) {
  for (const Phase phase : {Phase::seeking, Phase::idle, Phase::placing, Phase::looking,
                            Phase::capturing, Phase::checking}) {
    State s = in(phase);
    s.background = {3};
    Step step = transition(s, event::Withdraw{130});
    EXPECT_EQ(step.state.phase, Phase::stopping) << name(phase);
    EXPECT_TRUE(gives<command::CancelBackground>(step));
    EXPECT_EQ(gives<command::CancelBed>(step),
              phase == Phase::looking || phase == Phase::capturing || phase == Phase::checking);
    step = transition(step.state, event::JobFailed{3, 130});
    EXPECT_EQ(step.state.phase, Phase::stopped);
    EXPECT_EQ(step.state.exit_code, 130);
  }
}

TEST(Transition, StopLetsTheBackgroundFinish) {
  State s = in(Phase::placing);
  s.background = {3};
  Step step = transition(s, event::Stop{});
  EXPECT_FALSE(gives<command::End>(step));
  step = transition(step.state, event::JobDone{3});
  EXPECT_TRUE(gives<command::End>(step));
}

TEST(Transition, OnceEndsWithTheJobsOwnExitCode) {
  State s = in(Phase::checking, 2);
  s.once = true;
  Step step = transition(s, event::LapsGood{});
  EXPECT_FALSE(gives<command::FindJob>(step));
  step = transition(step.state, event::JobFailed{7, 74});
  EXPECT_EQ(std::get<command::End>(step.commands.back()).exit_code, 74);
}

TEST(Transition, WhenNoKeyCanComeAPlaceEndsInTryAgain) {
  State s = in(Phase::capturing, 1);
  s = transition(s, event::KeysEnded{}).state;
  EXPECT_EQ(s.phase, Phase::capturing) << "what runs goes on";
  s = transition(s, event::CaptureDone{}).state;
  const Step step = transition(s, event::LapsGood{});
  EXPECT_EQ(std::get<command::End>(step.commands.back()).exit_code, 75);
}

/// Every pair that the table does not hold is refused by name and changes nothing.
TEST(Transition, AllOtherPairsAreRefusedByName) {
  const std::vector<Event> events = {
      event::JobFound{1, 1, 0}, event::NoJob{},           event::LookGood{}, event::LookBad{},
      event::CaptureDone{},     event::PassFailed{},      event::LapsGood{}, event::LapsBad{1},
      event::JobDone{99},       event::JobFailed{99, 70}, event::Again{},    event::Skip{},
      event::Cancel{}};
  const std::set<std::pair<std::string, std::string>> allowed = {
      {"job_found", "seeking"},     {"no_job", "seeking"},       {"look_good", "looking"},
      {"look_bad", "looking"},      {"captured", "capturing"},   {"pass_failed", "looking"},
      {"pass_failed", "capturing"}, {"pass_failed", "checking"}, {"laps_good", "checking"},
      {"laps_bad", "checking"},     {"laps_bad", "capturing"},   {"again", "placing"},
      {"skip", "placing"},          {"cancel", "looking"},       {"cancel", "capturing"}};
  for (const Phase phase : {Phase::seeking, Phase::idle, Phase::placing, Phase::looking,
                            Phase::capturing, Phase::checking}) {
    for (const Event& e : events) {
      const Step step = transition(in(phase), e);
      const bool fits = allowed.count({name(e), name(phase)}) > 0;
      EXPECT_EQ(step.refused.empty(), fits) << name(e) << " while " << name(phase);
      if (!fits) {
        EXPECT_EQ(step.refused, name(e) + " while " + name(phase));
        EXPECT_EQ(step.state, in(phase));
        EXPECT_TRUE(step.commands.empty());
      }
    }
  }
}

}  // namespace
}  // namespace lapwright::station
