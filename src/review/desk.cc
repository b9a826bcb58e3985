#include "review/desk.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <string_view>

#include "core/files.h"
#include "profile/card.h"

namespace lapwright::review {
namespace {

constexpr std::size_t id_length = 20;  // of a proof's SHA-256, 80 bits

/// A file of the proof, which lies in a folder of its own while a new proof takes the place of the one before.
const ledger::File* named(const ledger::RollState& state, const std::string& name) {
  const std::string folder = "rolls/" + state.roll.name + "/proof/";
  for (const std::string& path : {folder + name, folder + ledger::archive::anew_name + "/" + name}) {
    const auto it = std::find_if(state.files.begin(), state.files.end(),
                                 [&](const ledger::File& f) { return f.path == path; });
    if (it != state.files.end()) return &*it;
  }
  return nullptr;
}

}  // namespace

std::string address_part(const std::string& name) {
  constexpr std::string_view plain =
      "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-._";
  constexpr std::string_view digits = "0123456789ABCDEF";
  std::string out;
  for (const char c : name) {
    const auto byte = static_cast<unsigned char>(c);
    if (plain.find(c) != std::string_view::npos)
      out += c;
    else
      (out += '%') += digits[byte >> 4], out += digits[byte & 15];
  }
  return out;
}

Result<std::shared_ptr<const Desk::Sheet>> Desk::load(const ledger::RollState& state) {
  const ledger::File *tif = named(state, "proof.tif"), *card_file = named(state, "sheet.yaml"),
                     *frames_file = named(state, "frames.json");
  if (!tif || !card_file || !frames_file)
    return fail(Fault::no_input, "roll " + state.roll.name + " has no proof that can be shown");
  const std::string id = tif->sha256.substr(0, id_length);
  if (const auto it = sheets_.find(id);
      it != sheets_.end() && it->second->about.roll == state.roll.name &&
      it->second->file == archive_ / tif->path)
    return it->second;

  auto sheet = std::make_shared<Sheet>();
  sheet->file = archive_ / tif->path;
  iiif::Sheet& a = sheet->about;
  a.roll = state.roll.name, a.stock = state.roll.stock, a.sleeve = state.roll.sleeve;
  a.shot = state.roll.shot, a.note = state.roll.note;
  a.roll_id = address_part(a.roll), a.image_id = id;
  const auto card_text = core::read_file(archive_ / card_file->path);
  if (!card_text) return fail(card_text.error());
  const auto card = profile::read_card(*card_text, card_file->path);
  if (!card) return fail(card.error());
  const auto frames_text = core::read_file(archive_ / frames_file->path);
  if (!frames_text) return fail(frames_text.error());
  const auto json = core::parse_json(*frames_text, frames_file->path);
  if (!json) return fail(json.error());
  auto frames = frames::from_json(*json, frames_file->path);
  if (!frames) return fail(frames.error());
  a.frames = std::move(*frames);
  const auto tiles = proof::Tiles::open(sheet->file);
  if (!tiles) return fail(tiles.error());
  a.pyramid.tile = tiles->tile();
  for (const auto& l : tiles->levels()) a.pyramid.levels.push_back({l.width, l.height});
  a.largest = a.pyramid.largest(proof::Tiles::longest);
  if (tiles->width() != card->width.value || tiles->height() != card->height.value ||
      !(card->mm_per_pixel > 0))
    return fail(Fault::bad_data, tif->path + ": " + std::to_string(tiles->width()) + " x " +
                                     std::to_string(tiles->height()) + " pixels; its card tells " +
                                     std::to_string(card->width.value) + " x " +
                                     std::to_string(card->height.value));
  a.origin = card->origin_mm;
  a.pixels_per_mm = 1 / card->mm_per_pixel;
  // A proof that was made anew has another id; the one before is not there any more.
  std::erase_if(sheets_, [&](const auto& s) { return s.second->about.roll == a.roll; });
  sheets_[id] = sheet;
  return std::shared_ptr<const Sheet>(sheet);
}

Result<Desk::Shelf> Desk::shelf() {
  const auto states = ledger_.states();
  if (!states) return fail(states.error());
  Shelf out;
  for (const ledger::RollState& state : *states) {
    if (!state.proofed) {
      out.waiting.push_back({state.roll.name, state.roll.stock});
      continue;
    }
    auto sheet = load(state);
    if (sheet)
      out.sheets.push_back(std::move(*sheet));
    else
      out.cautions.emplace_back(state.roll.name, sheet.error());
  }
  return out;
}

Result<std::vector<Desk::Due>> Desk::queue() {
  const auto states = ledger_.states();
  if (!states) return fail(states.error());
  const auto wants = ledger_.due();
  if (!wants) return fail(wants.error());
  std::vector<Due> out;
  for (const ledger::RollState& s : *states)
    if (!s.proofed) out.push_back({s.roll.name, {}});
  for (const ledger::Want& w : *wants) out.push_back({w.roll, w.frames});
  return out;
}

Result<std::shared_ptr<const Desk::Sheet>> Desk::last_proof() {
  const auto states = ledger_.states();
  if (!states) return fail(states.error());
  const ledger::RollState* last = nullptr;
  for (const ledger::RollState& s : *states)
    if (s.proofed && (!last || s.proofed_at > last->proofed_at)) last = &s;
  if (!last) return std::shared_ptr<const Sheet>();
  return load(*last);
}

Result<std::shared_ptr<const Desk::Sheet>> Desk::sheet(const std::string& roll) {
  if (auto r = ledger::archive::check_roll_name(roll); !r)
    return fail(Fault::no_input, "no such roll");
  const auto state = ledger_.state(roll);
  if (!state) return fail(state.error());
  return load(*state);
}

Result<std::shared_ptr<const proof::Tiles>> Desk::tiles(const std::string& image_id) {
  for (auto it = open_.begin(); it != open_.end(); ++it) {
    if (it->first != image_id) continue;
    open_.splice(open_.begin(), open_, it);
    return open_.front().second;
  }
  auto it = sheets_.find(image_id);
  if (it == sheets_.end() && image_id.size() == id_length) {
    if (auto all = shelf(); !all) return fail(all.error());  // perhaps made since
    it = sheets_.find(image_id);
  }
  if (it == sheets_.end()) return fail(Fault::no_input, "no such picture");
  const std::string roll = it->second->about.roll;
  // An id is of the bytes, and what lies there may be a proof made anew meanwhile: the ledger names that one before it does.
  for (int again = 0; again < 3; ++again) {
    const auto before = sheet(roll);
    if (!before) return fail(before.error());
    auto tiles = proof::Tiles::open((*before)->file);
    const auto after = sheet(roll);
    if (!after) return fail(after.error());
    if ((*before)->about.image_id != image_id || (*after)->about.image_id != image_id) break;
    if ((*before)->file != (*after)->file) continue;
    if (!tiles) return fail(tiles.error());
    open_.emplace_front(image_id, std::make_shared<const proof::Tiles>(std::move(*tiles)));
    if (open_.size() > most_open) open_.pop_back();
    return open_.front().second;
  }
  return fail(Fault::no_input, "no such picture");
}

Marks& Desk::marks(const std::string& roll) {
  return marks_.try_emplace(roll, ledger::archive::roll_folder(archive_, roll)).first->second;
}

Result<> Desk::set_verdict(const Sheet& sheet, const frames::Frame& frame,
                           const std::string& verdict) {
  if (auto r = marks(sheet.about.roll).set_verdict(sheet.about, frame, verdict); !r) return r;
  if (auto r = ledger_.verdict(sheet.about.roll, frame.frame, verdict); !r) return r;
  return marks(sheet.about.roll).write_xmp(sheet.about);
}

Result<> Desk::agree() {
  const auto states = ledger_.states();
  if (!states) return fail(states.error());
  for (const ledger::RollState& s : *states) {
    if (!s.proofed) continue;
    const auto said = marks(s.roll.name).state(false);
    if (!said) continue;  // told where the roll is shown
    std::map<std::string, std::string> words;  // frames where the two differ
    for (const auto& [frame, mark] : said->frames)
      if (const auto known = s.verdicts.find(frame); mark.verdict != (known == s.verdicts.end() ? "" : known->second)) words[frame] = mark.verdict;
    for (const auto& [frame, word] : s.verdicts)
      if (!said->frames.contains(frame)) words[frame] = "";
    for (const auto& [frame, word] : words)  // a frame that the sheet no longer has is none of the ledger's
      if (auto r = ledger_.verdict(s.roll.name, frame, word); !r && r.error().fault != Fault::bad_data) return r;
  }
  return {};
}

Result<> Desk::set_note(const Sheet& sheet, const frames::Frame& frame, const std::string& note) {
  if (auto r = marks(sheet.about.roll).set_note(sheet.about, frame, note); !r) return r;
  return marks(sheet.about.roll).write_xmp(sheet.about);
}

}  // namespace lapwright::review
