#include "station/remake.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "core/clock.h"
#include "core/files.h"
#include "proof/proof.h"

namespace lapwright::station {
namespace {

namespace fs = std::filesystem;

/// Tells how far it was read.
class Told : public image::RowSource {
 public:
  Told(image::RowSource& rows, const std::function<void(double)>& tell) : rows_(rows), tell_(tell) {}
  std::int64_t width() const override { return rows_.width(); }
  std::int64_t height() const override { return rows_.height(); }
  Ppi ppi() const override { return rows_.ppi(); }
  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override {
    if (tell_) tell_(static_cast<double>(first) / static_cast<double>(std::max<std::int64_t>(1, height())));
    return rows_.read(first, rows, out);
  }

 private:
  image::RowSource& rows_;
  const std::function<void(double)>& tell_;
};

const ledger::File* named(const ledger::RollState& state, const std::string& name) {
  const std::string folder = "rolls/" + state.roll.name + "/proof/";
  for (const std::string& path : {folder + name, folder + ledger::archive::anew_name + "/" + name})
    for (const ledger::File& f : state.files)
      if (f.path == path) return &f;
  return nullptr;
}

/// What an earlier try left, or this one when it fails.
Result<> clear(const fs::path& folder) {
  std::error_code trouble;
  for (fs::directory_iterator at(folder, trouble), end; !trouble && at != end; at.increment(trouble))
    if (auto r = core::remove_file(at->path()); !r) return r;
  fs::remove(folder, trouble);
  return {};
}

}  // namespace

Result<Negative> negative_of(const fs::path& archive, const profile::Shelf& shelf, const ledger::RollState& state, bool outside) {
  const std::string& roll = state.roll.name;
  if (!state.proofed) return fail(Fault::no_input, "roll " + roll + " has no proof yet; the station makes it");
  const ledger::File *card_file = named(state, "sheet.yaml"), *frames_file = named(state, "frames.json");
  if (!card_file || !frames_file)
    return fail(Fault::no_input, "roll " + roll + ": its archive keeps no card or no frames.json of its sheet, without which its positive cannot be made anew");
  Negative n;
  n.of_card = card_file->sha256;
  const auto text = core::read_file(archive / card_file->path);
  if (!text) return fail(text.error());
  auto card = profile::read_card(*text, card_file->path);
  if (!card) return fail(card.error());
  n.card = std::move(*card);
  n.sheet = archive / "rolls" / roll / "proof" / n.card.file;
  std::error_code trouble;
  if (!fs::is_regular_file(n.sheet, trouble))
    return fail(Fault::no_input, n.sheet.lexically_relative(archive).string() + ": the linear sheet is not there any more, so that roll " + roll +
                                     " cannot be trimmed; bring the file back from a second place");
  if (outside || (n.card.positive && n.card.positive->outside))
    return fail(Fault::usage, "roll " + roll + ": its positive is made by a conversion stage of your own, which alone can trim it");
  auto stock = shelf.stock(state.roll.stock);
  if (!stock) return fail(stock.error());
  n.stock = std::move(*stock);
  auto sleeve = shelf.sleeve(state.roll.sleeve);
  if (!sleeve) return fail(sleeve.error());
  n.sleeve = std::move(*sleeve);
  const auto frames_text = core::read_file(archive / frames_file->path);
  if (!frames_text) return fail(frames_text.error());
  const auto json = core::parse_json(*frames_text, frames_file->path);
  if (!json) return fail(json.error());
  auto frames = frames::from_json(*json, frames_file->path);
  if (!frames) return fail(frames.error());
  n.frames = std::move(*frames);
  auto measured = density::measured_from(n.card, n.stock);
  if (!measured)
    return fail(Fault::bad_data, card_file->path + ": open_light, base: missing; `lapwright convert` measures them on the sheet itself");
  n.measured = std::move(*measured);
  n.made = n.card.positive.value_or(profile::Card::Positive{n.stock.trim, false, false, false});
  return n;
}

Result<std::unique_ptr<Positive>> Positive::of(const Negative& n, const profile::Trim& trim, const std::optional<PixelRect<SheetSpace>>& area) {
  auto out = std::make_unique<Positive>();
  auto sheet = raw::Reader::open(n.sheet);
  if (!sheet) return fail(sheet.error());
  out->sheet_ = std::move(*sheet);
  if (out->sheet_->width() != n.card.width.value || out->sheet_->height() != n.card.height.value)
    return fail(Fault::bad_data, n.sheet.string() + ": " + std::to_string(out->sheet_->width()) + " x " + std::to_string(out->sheet_->height()) +
                                     " pixels; its card tells " + std::to_string(n.card.width.value) + " x " + std::to_string(n.card.height.value));
  profile::StockProfile stock = n.stock;
  stock.trim = trim;
  if (n.made.even) {
    std::vector<Rect<SleeveSpace>> areas;
    for (const frames::Frame& f : n.frames) {
      const auto inside = frames::inside(f);
      const double k = 1 / n.card.mm_per_pixel;
      const auto left = (inside.x.mm() - n.card.origin_mm.x) * k, right = (inside.right().mm() - n.card.origin_mm.x) * k;
      const auto top = (inside.y.mm() - n.card.origin_mm.y) * k, bottom = (inside.bottom().mm() - n.card.origin_mm.y) * k;
      if (area && (right < static_cast<double>(area->x.value) || left > static_cast<double>(area->right().value) ||
                   bottom < static_cast<double>(area->y.value) || top > static_cast<double>(area->bottom().value)))
        continue;
      areas.push_back(inside);
    }
    auto even = density::EvenSource::of(*out->sheet_, n.card.origin_mm, stock, n.measured, areas);
    if (!even) return fail(even.error());
    out->even_ = std::move(*even);
    return out;
  }
  out->converter_ = std::make_unique<density::Converter>(stock, n.measured);
  out->page_ = std::make_unique<density::PositiveSource>(*out->sheet_, *out->converter_);
  return out;
}

Result<std::vector<std::string>> remake_proof(const fs::path& archive, const profile::Shelf& shelf, ledger::Ledger& ledger, const std::string& roll,
                                              bool outside, const Remake& how, const std::atomic<bool>& stop) {
  if (auto r = profile::check_trim(how.trim); !r) return fail(r.error());
  if (const auto known = ledger.state(roll); !known) return fail(known.error());
  if (auto r = ledger.settle(); !r) return fail(r.error());
  const auto hold = ledger::ProofHold::of(archive, roll);
  if (!hold) return fail(hold.error());
  const auto in_work = ledger.in_work(roll);
  if (!in_work) return fail(in_work.error());
  if (*in_work) return fail(Fault::try_again, "a station is making frames of roll " + roll + "; make its proof anew when they are done");
  const auto state = ledger.state(roll);
  if (!state) return fail(state.error());
  auto n = negative_of(archive, shelf, *state, outside);
  if (!n) return fail(n.error());

  std::uint64_t room = 64 << 20;
  for (const char* name : {"proof.tif", "proof.jpg", "proof.pdf"})
    if (const auto* f = named(*state, name)) room += f->bytes * 3 / 2;
  const auto free = core::free_bytes(archive);
  if (!free) return fail(free.error());
  if (*free < room)
    return fail(Fault::cannot_create, archive.string() + ": a new proof of roll " + roll + " needs " + std::to_string(room / 1000000) +
                                          " MB and the disk has " + std::to_string(*free / 1000000) + " MB free; free some space");

  const fs::path folder = ledger::archive::roll_folder(archive, roll) / "proof" / ledger::archive::anew_name;
  if (auto r = clear(folder); !r) return fail(r.error());
  std::vector<ledger::File> files;
  const auto make = [&]() -> Result<std::vector<std::string>> {
    auto positive = Positive::of(*n, how.trim);
    if (!positive) return fail(positive.error());
    const std::string evened = n->made.even ? "each frame balanced by itself" : "";
    const std::string& note = state->roll.note;
    const proof::Caption caption{roll,
                                 n->stock.about.empty() ? n->stock.name : n->stock.about,
                                 state->roll.shot,
                                 note + (note.empty() || evened.empty() ? "" : "; ") + evened,
                                 core::rfc3339_now().substr(0, 10),
                                 (*positive)->sheet().make,
                                 (*positive)->sheet().model,
                                 n->card.sha256};
    proof::Options print;
    if (how.paper) print.paper = {(*how.paper)[0], (*how.paper)[1]};
    Told told((*positive)->rows(), how.progress);
    auto made = proof::make(told, n->card.origin_mm, n->sleeve, n->frames, caption, folder, stop, print);
    if (!made) return fail(made.error());
    const auto add = [&](const fs::path& path, const std::string& sum) {
      std::error_code ignored;
      files.push_back({path.lexically_relative(archive).generic_string(), sum, fs::file_size(path, ignored)});
    };
    for (const proof::MadeFile* f : made->files()) add(f->path, f->sha256);
    profile::Card card = n->card;
    card.positive = {how.trim, how.of_roll, n->made.even, false};
    if (auto r = core::write_file(folder / "sheet.yaml", profile::write_card(card)); !r) return fail(r.error());
    const auto sum = core::sha256_of(folder / "sheet.yaml");
    if (!sum) return fail(sum.error());
    add(folder / "sheet.yaml", *sum);
    if (stop) return fail(Fault::cancelled, "the proof was stopped; nothing of it was kept");
    return made->cautions;
  };
  auto made = make();
  if (!made) {
    (void)clear(folder);  // what stays goes before the next try, or at the next start
    return made;
  }
  const profile::Trim& t = how.trim;
  const Json about = {{"why", "trim"}, {"trim_of", how.of_roll ? "roll" : "stock"},
                      {"trim", {{"warmth", t.warmth}, {"tint", t.tint}, {"brightness", t.brightness}, {"contrast", t.contrast}}}};
  if (auto r = ledger.proof_remade(roll, files, about); !r) {
    const auto now = ledger.state(roll);
    const bool taken = now && std::any_of(now->files.begin(), now->files.end(), [&](const ledger::File& f) { return f.path == files[0].path; });
    if (now && !taken) (void)clear(folder);
    return fail(r.error());
  }
  return made;
}

}  // namespace lapwright::station
