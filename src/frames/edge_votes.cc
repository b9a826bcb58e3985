#include "frames/edge_votes.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>

namespace lapwright::frames {
namespace {

constexpr double half_mm = 19;         // from code to code (trade.md 1.4)
constexpr double agree = 0.16;         // half frames, 3 mm: film shrinks by up to 1 % over a strip
constexpr double alone_margin = 0.55;  // of a code that no other on its strip bears out
constexpr double doubtful = 7.0 / half_mm;

/// How a code says its strip lies: what codes of one strip must have in common.
struct Lie {
  int film = 0;
  bool forward = true, clock_first = true, other_edge = false;
  bool operator==(const Lie&) const = default;
};

Lie lie_of(const SeenCode& c) {
  return {c.mark.code.film, c.mark.forward, c.mark.clock_first, c.other_edge};
}
double slope_of(const SeenCode& c) { return (c.mark.forward ? 1 : -1) / half_mm; }
double offset_of(const SeenCode& c) { return *c.mark.code.half - slope_of(c) * c.mark.along; }

bool bears_out(const SeenCode& a, const SeenCode& b) {
  if (lie_of(a) != lie_of(b)) return false;
  return !a.mark.code.half || !b.mark.code.half || std::abs(offset_of(a) - offset_of(b)) < agree;
}

/// The codes that agree with the one most others agree with; none when two such parties are as
/// large.
std::vector<const SeenCode*> party(const std::vector<SeenCode>& codes) {
  std::vector<const SeenCode*> best;
  bool tie = false;
  for (const SeenCode& seed : codes) {
    std::vector<const SeenCode*> mine;
    for (const SeenCode& c : codes)
      if (bears_out(seed, c)) mine.push_back(&c);
    if (mine.size() > best.size())
      best = mine, tie = false;
    else if (mine.size() == best.size() && !bears_out(seed, *best[0]))
      tie = true;
  }
  if (tie) best.clear();
  return best;
}

std::string list_of(const std::vector<int>& strips) {
  std::string text = strips.size() == 1 ? "strip " : "strips ";
  for (std::size_t i = 0; i < strips.size(); ++i)
    text += (i == 0 ? "" : i + 1 == strips.size() ? " and " : ", ") + std::to_string(strips[i]);
  return text;
}

void tell(RollEdge& edge) {
  std::vector<int> turned, mirrored, other, all;
  int forwards = 0;
  for (const StripEdge& s : edge.strips) {
    if (s.codes.empty()) continue;
    all.push_back(s.strip);
    forwards += s.turned ? 0 : 1;
    if (s.mirrored) mirrored.push_back(s.strip);
    if (edge.film && s.film && *s.film != *edge.film) other.push_back(s.strip);
  }
  // A camera may wind the other way, so that every strip is turned; the fewer ones are told.
  const bool mostly_turned = edge.turned = 2 * forwards < static_cast<int>(all.size());
  for (const StripEdge& s : edge.strips)
    if (!s.codes.empty() && s.turned != mostly_turned) turned.push_back(s.strip);
  const auto lies = [](const std::vector<int>& strips) {
    return list_of(strips) + (strips.size() == 1 ? " lies " : " lie ");
  };
  if (!mirrored.empty() && mirrored.size() == all.size() && edge.codes > 1) {
    edge.mirrored = true;
    edge.cautions.push_back(
        "the sleeve lies wrong side up: by the code on the film's edge every strip is mirrored");
  } else if (!mirrored.empty()) {
    edge.cautions.push_back(lies(mirrored) +
                            "wrong side up in the sleeve: mirrored by the code on the film's edge");
  }
  if (!turned.empty())
    edge.cautions.push_back(lies(turned) +
                            "the other way round than the rest: numbers run backwards there");
  for (const int strip : other) {
    const auto s = std::find_if(edge.strips.begin(), edge.strips.end(),
                                [&](const StripEdge& e) { return e.strip == strip; });
    edge.cautions.push_back(
        "strip " + std::to_string(strip) + " is of film " + std::to_string(*s->film) +
        " by the code on its edge, the roll of film " + std::to_string(*edge.film));
  }
}

}  // namespace

RollEdge vote(const std::vector<std::vector<SeenCode>>& strips, bool down) {
  RollEdge edge;
  std::vector<std::vector<const SeenCode*>> parties;
  std::map<int, int> films;
  for (const auto& codes : strips) {
    parties.push_back(party(codes));
    for (const SeenCode* c : parties.back()) ++films[c->mark.code.film];
  }
  int most = 0, second = 0;
  for (const auto& [film, votes] : films) {
    if (votes > most)
      second = most, most = votes, edge.film = film;
    else
      second = std::max(second, votes);
  }
  if (most == second) edge.film.reset();
  for (std::size_t i = 0; i < strips.size(); ++i) {
    if (strips[i].empty()) continue;
    auto& mine = parties[i];
    // One code alone must be clear, and of the film that the others tell where there are others.
    if (mine.size() == 1 &&
        (mine[0]->mark.margin < alone_margin || edge.film != mine[0]->mark.code.film))
      mine.clear();
    StripEdge s;
    s.strip = static_cast<int>(i) + 1;
    s.refused = static_cast<int>(strips[i].size() - mine.size());
    double offset = 0, slope = 0;
    int told = 0;
    for (const SeenCode* c : mine) {
      s.codes.push_back({c->mark.code, c->at, c->mark.along, c->mark.margin});
      s.film = c->mark.code.film;
      // The frame of strips that run down is the run's, mirrored: what is first across lies last as
      // the film is read.
      const bool clock_above = c->mark.clock_first != down;
      s.turned = !clock_above, s.mirrored = !c->mark.forward != !clock_above;
      if (c->mark.code.half) offset += offset_of(*c), slope = slope_of(*c), ++told;
    }
    if (told > 0) s.numbers = {slope, offset / told};
    edge.codes += static_cast<int>(s.codes.size()), edge.refused += s.refused;
    edge.strips.push_back(std::move(s));
  }
  if (edge.codes == 0) edge.film.reset();
  tell(edge);
  return edge;
}

bool number_frames(std::vector<Numbered>& frames, RollEdge& edge, double advance, int slots) {
  struct Lined {
    const StripEdge::Numbers* numbers;
    std::vector<std::size_t> frames;
    std::vector<int> halves;
    double level = 0;
  };
  std::map<int, Lined> lined;
  for (const StripEdge& s : edge.strips)
    if (s.numbers) lined[s.strip].numbers = &*s.numbers;
  for (std::size_t i = 0; i < frames.size(); ++i)
    if (const auto it = lined.find(frames[i].strip); it != lined.end())
      it->second.frames.push_back(i);
  std::erase_if(lined, [](const auto& entry) { return entry.second.frames.empty(); });
  if (lined.empty()) return false;

  const int step = std::max(1, static_cast<int>(std::lround(advance / half_mm)));
  const bool steady = std::abs(advance - step * half_mm) < 1.5;
  // Along each strip the numbers rise by whole frames; where a strip's first one stands is the
  // roll's common phase.
  double sine = 0, cosine = 0;
  for (auto& of_strip : lined) {
    auto& line = of_strip.second;
    const auto at = [&](std::size_t i) {
      return line.numbers->slope * frames[i].along + line.numbers->offset;
    };
    std::sort(line.frames.begin(), line.frames.end(),
              [&](std::size_t a, std::size_t b) { return at(a) < at(b); });
    std::vector<double> levels;
    int half = 0;
    for (std::size_t k = 0; k < line.frames.size(); ++k) {
      if (k > 0) {
        const double rise = at(line.frames[k]) - at(line.frames[k - 1]);
        half += steady ? step * std::max(1, static_cast<int>(std::lround(rise / step)))
                       : std::max(1, static_cast<int>(std::lround(rise)));
      }
      line.halves.push_back(half), levels.push_back(at(line.frames[k]) - half);
    }
    std::nth_element(levels.begin(),
                     levels.begin() + static_cast<std::ptrdiff_t>(levels.size() / 2), levels.end());
    line.level = levels[levels.size() / 2];
    const auto weight = static_cast<double>(line.frames.size());
    sine += weight * std::sin(6.283185307 * line.level),
        cosine += weight * std::cos(6.283185307 * line.level);
  }
  const double phase = std::atan2(sine, cosine) / 6.283185307;
  std::vector<Numbered> out = frames;
  std::map<int, int> first_half, first_slot;  // of coded strips: their lowest number, and its slot
                                              // from the end numbers rise from
  std::vector<int> halves(frames.size());
  std::vector<bool> told(frames.size(), false);
  for (auto& [strip, line] : lined) {
    int start = static_cast<int>(std::lround(line.level - phase));
    if (std::abs(line.level - start) > 0.75)
      start = static_cast<int>(std::lround(line.level));  // this strip lies by itself
    for (std::size_t k = 0; k < line.frames.size(); ++k) {
      const std::size_t i = line.frames[k];
      halves[i] = line.halves[k] + start, told[i] = true;
      const double off = line.numbers->slope * frames[i].along + line.numbers->offset - halves[i];
      out[i].by_code = true, out[i].sure = std::abs(off) < doubtful;
    }
    first_half[strip] = halves[line.frames[0]];
    const int slot = frames[line.frames[0]].slot;
    first_slot[strip] = line.numbers->slope > 0 ? slot : slots - 1 - slot;
  }
  // Strips without a code go on from the nearest one that has some.
  int rising = 0;
  for (auto a = first_half.begin(), b = a; b != first_half.end(); a = b++)
    if (a != b) rising += b->second > a->second ? 1 : -1;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (told[i]) continue;
    const auto nearest =
        std::min_element(first_half.begin(), first_half.end(), [&](const auto& a, const auto& b) {
          return std::abs(a.first - frames[i].strip) < std::abs(b.first - frames[i].strip);
        });
    const int strips = (frames[i].strip - nearest->first) * (rising < 0 ? -1 : 1);
    const bool backwards = lined.at(nearest->first).numbers->slope < 0;
    const int slot = backwards ? slots - 1 - frames[i].slot : frames[i].slot;
    halves[i] = nearest->second + step * (strips * slots + slot - first_slot[nearest->first]);
    out[i].sure = false;
  }
  std::map<int, int> owner;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (const auto [it, fresh] = owner.emplace(halves[i], frames[i].strip);
        !fresh || halves[i] < -4) {
      if (halves[i] >= -4)
        edge.cautions.push_back("frame numbers on the film come twice (" + half_name(halves[i]) +
                                " on strips " + std::to_string(it->second) + " and " +
                                std::to_string(frames[i].strip) +
                                "), so the frames are numbered by position");
      return false;
    }
    out[i].name = half_name(halves[i]);
  }
  frames = std::move(out);
  return true;
}

}  // namespace lapwright::frames
