#include "review/selects.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "core/csv.h"
#include "proof/paper_marks.h"

namespace lapwright::review {

Result<std::vector<Chosen>> chosen(Desk& desk, const std::string& roll) {
  std::vector<std::shared_ptr<const Desk::Sheet>> sheets;
  if (roll.empty()) {
    auto shelf = desk.shelf();
    if (!shelf) return fail(shelf.error());
    sheets = std::move(shelf->sheets);
  } else {
    auto sheet = desk.sheet(roll);
    if (!sheet) return fail(sheet.error());
    sheets = {std::move(*sheet)};
  }
  std::vector<Chosen> out;
  for (const auto& s : sheets) {
    const iiif::Sheet& about = s->about;
    const auto marks = desk.marks(about.roll).state(false);
    if (!marks) return fail(marks.error());
    const auto state = desk.state(about.roll);
    if (!state) return fail(state.error());
    const auto in = [](const std::vector<std::string>& list, const std::string& f) { return std::find(list.begin(), list.end(), f) != list.end(); };
    for (const frames::Frame& f : about.frames) {
      const auto it = marks->frames.find(f.frame);
      if (it == marks->frames.end()) continue;
      out.push_back({about.roll, about.stock, f.frame, it->second.verdict, it->second.note, it->second.crop, in(state->at_full, f.frame), in(state->due, f.frame)});
    }
  }
  return out;
}

Json to_json(const std::vector<Chosen>& frames) {
  Json list = Json::array();
  for (const Chosen& c : frames)
    list.push_back({{"roll", c.roll},
                    {"stock", c.stock},
                    {"frame", c.frame},
                    {"verdict", c.verdict.empty() ? Json() : Json(c.verdict)},
                    {"note", c.note},
                    {"crop", c.crop ? Json(*c.crop) : Json()},
                    {"at_full", c.at_full},
                    {"due", c.due}});
  return {{"frames", list}};
}

std::string to_csv(const std::vector<Chosen>& frames) {
  std::string out = core::csv_row({"roll", "stock", "frame", "verdict", "note", "at_full", "due"});
  for (const Chosen& c : frames)
    out += core::csv_row({c.roll, c.stock, c.frame, c.verdict, c.note, c.at_full ? "yes" : "", c.due ? "yes" : ""});
  return out;
}

Result<> print_marked(Desk& desk, const std::string& roll, const std::optional<proof::PageSize>& paper,
                      const std::filesystem::path& pdf) {
  const auto sheet = desk.sheet(roll);
  if (!sheet) return fail(sheet.error());
  const iiif::Sheet& about = (*sheet)->about;
  const auto marks = desk.marks(about.roll).state(true);
  if (!marks) return fail(marks.error());
  const auto state = desk.state(about.roll);
  if (!state) return fail(state.error());
  proof::PaperMarks on_paper;
  for (const frames::Frame& f : about.frames)
    if (const auto it = marks->frames.find(f.frame); it != marks->frames.end())
      on_paper.frames.push_back({f.frame, it->second.verdict, it->second.note, it->second.crop});
  for (const Json& stroke : marks->ink) {
    proof::PaperMarks::Stroke s{stroke.at("colour").get<std::string>(), stroke.at("width").get<double>(), {}};
    const auto samples = stroke.at("samples").get<std::vector<double>>();
    for (std::size_t i = 0; i + 3 < samples.size(); i += 4) s.points.push_back({samples[i], samples[i + 1], samples[i + 2]});
    on_paper.ink.push_back(std::move(s));
  }
  const iiif::Extent whole = about.pyramid.levels.front();
  const proof::Caption caption{about.roll, about.stock, about.shot, about.note, state->proofed_at.substr(0, 10)};
  return proof::print_marked((*sheet)->file.parent_path() / "proof.jpg", static_cast<double>(whole.width) / about.pixels_per_mm,
                             static_cast<double>(whole.height) / about.pixels_per_mm, about.origin, about.frames, caption, on_paper, paper, pdf);
}

}  // namespace lapwright::review
