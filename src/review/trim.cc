#include "review/trim.h"

#include <algorithm>
#include <charconv>
#include <nlohmann/json.hpp>

#include "core/files.h"
#include "core/text.h"
#include "density/trim.h"
#include "proof/jpeg.h"
#include "proof/shrink.h"
#include "proof/tone.h"
#include "station/remake.h"

namespace lapwright::review {
namespace {

namespace fs = std::filesystem;

constexpr int quality = 90;
constexpr const char* members[] = {"warmth", "tint", "brightness", "contrast"};

Json to_json(const profile::Trim& t) {
  return {{"warmth", t.warmth}, {"tint", t.tint}, {"brightness", t.brightness}, {"contrast", t.contrast}};
}

/// "1,2,3" as exactly `count` numbers.
template <class Number>
std::optional<std::vector<Number>> numbers(std::string_view text, std::size_t count) {
  std::vector<Number> out;
  while (out.size() < count) {
    Number n{};
    const auto [end, trouble] = std::from_chars(text.data(), text.data() + text.size(), n);
    if (trouble != std::errc{}) return std::nullopt;
    out.push_back(n);
    text.remove_prefix(static_cast<std::size_t>(end - text.data()));
    if (out.size() == count) break;
    if (text.empty() || text[0] != ',') return std::nullopt;
    text.remove_prefix(1);
  }
  if (!text.empty()) return std::nullopt;
  return out;
}

Result<profile::Trim> read_trim(const Json& body) {
  const auto trim = body.is_object() ? body.find("trim") : body.end();
  if (!body.is_object() || trim == body.end() || !trim->is_object() || trim->size() != 4)
    return fail(Fault::usage, "trim: {warmth, tint, brightness, contrast} is right");
  std::array<double, 4> v{};
  for (std::size_t i = 0; i < 4; ++i) {
    const auto it = trim->find(members[i]);
    if (it == trim->end() || !it->is_number()) return fail(Fault::usage, std::string("trim: ") + members[i] + ": a number from -100 to 100 is right");
    v[i] = it->get<double>();
  }
  const profile::Trim t{v[0], v[1], v[2], v[3]};
  if (auto r = profile::check_trim(t); !r) return fail(r.error());
  return t;
}

}  // namespace

Trimming::Trimming(Setting setting, Log log) : setting_(std::move(setting)), log_(std::move(log)) {}

Trimming::~Trimming() {
  stop_ = true;
  if (maker_.joinable()) maker_.join();
}

std::string Trimming::say(const Error& error) {
  if (error.fault != Fault::io && error.fault != Fault::internal) return core::one_line(error.text, 400);
  log_("trim: " + core::one_line(error.text));
  return "that went wrong here; the station's log tells more";
}

Reply Trimming::failed(const Error& error) {
  int status = 500;
  if (error.fault == Fault::no_input || error.fault == Fault::bad_profile) status = 409;
  if (error.fault == Fault::usage || error.fault == Fault::bad_data) status = 422;
  if (error.fault == Fault::try_again) status = 503;
  if (error.fault == Fault::cannot_create) status = 507;
  return refusal(status, say(error));
}

Reply Trimming::look(const ledger::RollState& roll, const std::vector<std::string>& rest, Visitor visitor) {
  if (!may_trim(visitor)) return rest.empty() ? json_reply({{"may", false}}) : refusal(403, "trim is for the one at the station");
  if (rest.empty()) return state(roll);
  if (rest.size() == 4 && rest[0] == "look") return piece_reply(roll, rest);
  return refusal(404, "there is nothing here");
}

Reply Trimming::change(const ledger::RollState& roll, const std::vector<std::string>& rest, const Json& body, Visitor visitor) {
  if (!may_trim(visitor)) return refusal(403, "trim is for the one at the station");
  if (rest.size() > 1 || (rest.size() == 1 && rest[0] != "stock")) return refusal(404, "there is nothing here");
  const auto trim = read_trim(body);
  if (!trim) return refusal(422, trim.error().text);
  return rest.empty() ? make(roll, *trim) : keep(roll, *trim);
}

Result<const station::Negative*> Trimming::negative(const ledger::RollState& roll) {
  const auto card = std::find_if(roll.files.begin(), roll.files.end(), [](const ledger::File& f) { return f.path.ends_with("/sheet.yaml"); });
  std::error_code trouble;
  std::string key = card == roll.files.end() ? "" : roll.roll.name + "/" + card->sha256;
  if (negative_ && key == negative_key_) {
    // The sheet may have been moved away, and the stock's profile be another.
    const auto stock = setting_.shelf.stock(roll.roll.stock);
    if (fs::is_regular_file(negative_->sheet, trouble) && stock && profile::write_stock(*stock, {}) == profile::write_stock(negative_->stock, {}))
      return negative_.get();
  }
  negative_.reset(), plain_.reset(), pieces_.clear();
  auto made = station::negative_of(setting_.archive, setting_.shelf, roll, setting_.outside);
  if (!made) return fail(made.error());
  negative_ = std::make_unique<station::Negative>(std::move(*made));
  negative_key_ = key;
  return negative_.get();
}

Reply Trimming::state(const ledger::RollState& roll) {
  Json out = {{"may", true}, {"possible", false}};
  const auto n = negative(roll);
  if (n) {
    const station::Negative& it = **n;
    out["possible"] = true;
    out["made"] = to_json(it.made.trim), out["of"] = it.made.of_roll ? "roll" : "stock", out["even"] = it.made.even;
    out["colour"] = it.stock.process != profile::Process::bw_negative;
    out["roll_file"] = "rolls/" + roll.roll.name + "/proof/sheet.yaml";
    Json stock = {{"name", it.stock.name}, {"trim", to_json(it.stock.trim)}, {"file", it.stock.file}};
    if (const auto place = profile::place_of_trim(setting_.shelf, setting_.own, roll.roll.stock))
      stock["writes"] = place->file.string(), stock["copies"] = place->copies;
    else
      stock["say"] = say(place.error());
    out["stock"] = std::move(stock);
  } else {
    out["say"] = say(n.error());
  }
  const std::lock_guard lock(mutex_);
  if (making_.roll == roll.roll.name) out["making"] = {{"state", making_.state}, {"share", making_.share}, {"say", making_.say}};
  return json_reply(out);
}

Result<const Trimming::Piece*> Trimming::piece(const station::Negative& n, const PixelRect<SheetSpace>& area, std::int64_t width, std::int64_t height) {
  std::string key;
  for (const std::int64_t v : {area.x.value, area.y.value, area.width.value, area.height.value, width, height}) key += std::to_string(v) + ",";
  for (auto it = pieces_.begin(); it != pieces_.end(); ++it) {
    if (it->key != key) continue;
    pieces_.splice(pieces_.begin(), pieces_, it);
    return &pieces_.front();
  }
  std::unique_ptr<station::Positive> own;
  if (!plain_ || n.made.even) {
    auto made = station::Positive::of(n, {}, area);
    if (!made) return fail(made.error());
    (n.made.even ? own : plain_) = std::move(*made);
  }
  image::RowSource& rows = n.made.even ? own->rows() : plain_->rows();
  Piece p{std::move(key), width, height, {}};
  p.codes.reserve(static_cast<std::size_t>(width * height * 3));
  const auto take = [&](const std::uint16_t* row) -> Result<> {
    p.codes.insert(p.codes.end(), row, row + width * 3);
    return {};
  };
  const bool whole = width == area.width.value && height == area.height.value;
  std::optional<proof::Shrink> shrink;
  if (!whole) shrink.emplace(area.width.value, area.height.value, width, height, take);
  constexpr std::int64_t chunk = 64;
  std::vector<std::uint16_t> some(static_cast<std::size_t>(area.width.value * 3 * chunk));
  for (std::int64_t y = 0; y < area.height.value; y += chunk) {
    const std::int64_t count = std::min(chunk, area.height.value - y);
    if (auto r = rows.read_block(area.x.value, area.width.value, area.y.value + y, count, some.data()); !r) return fail(r.error());
    for (std::int64_t i = 0; i < count; ++i) {
      const std::uint16_t* row = some.data() + i * area.width.value * 3;
      if (auto r = whole ? take(row) : shrink->row(row); !r) return fail(r.error());
    }
  }
  pieces_.push_front(std::move(p));
  std::size_t kept = 0;
  for (auto it = pieces_.begin(); it != pieces_.end();) {
    kept += it->codes.size() * sizeof(std::uint16_t);
    it = it != pieces_.begin() && kept > most_kept ? pieces_.erase(it) : std::next(it);
  }
  return &pieces_.front();
}

Reply Trimming::piece_reply(const ledger::RollState& roll, const std::vector<std::string>& rest) {
  const auto area = numbers<std::int64_t>(rest[1], 4);
  const auto size = numbers<std::int64_t>(rest[2], 2);
  const bool jpeg_asked = rest[3].ends_with(".jpg");
  const auto values = jpeg_asked ? numbers<double>(std::string_view(rest[3]).substr(0, rest[3].size() - 4), 4) : std::nullopt;
  if (!area || !size || !values) return refusal(400, "look/x,y,w,h/w,h/warmth,tint,brightness,contrast.jpg is right");
  const profile::Trim trim{(*values)[0], (*values)[1], (*values)[2], (*values)[3]};
  if (auto r = profile::check_trim(trim); !r) return refusal(400, r.error().text);
  const auto n = negative(roll);
  if (!n) return failed(n.error());
  const auto [x, y, w, h] = std::array{(*area)[0], (*area)[1], (*area)[2], (*area)[3]};
  const std::int64_t width = (*size)[0], height = (*size)[1];
  const std::int64_t sheet_width = (*n)->card.width.value, sheet_height = (*n)->card.height.value;
  if (x < 0 || y < 0 || w < 1 || h < 1 || w > sheet_width || h > sheet_height || x > sheet_width - w || y > sheet_height - h || w > most_area / h ||
      width < 1 || height < 1 || width > w || height > h || width > longest || height > longest || width > most_shown / height)
    return refusal(400, "no such part of the sheet, or too large a one");
  const auto p = piece(**n, {{x}, {y}, {w}, {h}}, width, height);
  if (!p) return failed(p.error());
  const density::Retrim retrim(trim, (*n)->stock.process == profile::Process::bw_negative);
  proof::Bitmap bitmap{width, height, std::vector<std::uint8_t>((*p)->codes.size())};
  std::vector<std::uint16_t> row(static_cast<std::size_t>(width * 3));
  for (std::int64_t i = 0; i < height; ++i) {
    const std::uint16_t* in = (*p)->codes.data() + i * width * 3;
    for (std::int64_t k = 0; k < width * 3; k += 3)
      for (std::size_t c = 0; c < 3; ++c) row[static_cast<std::size_t>(k) + c] = retrim(in[static_cast<std::size_t>(k) + c], c);
    proof::to_8bit(row.data(), width, i, bitmap.rgb.data() + i * width * 3);
  }
  const auto jpeg = proof::encode_jpeg(bitmap, quality);
  if (!jpeg) return failed(jpeg.error());
  Reply r;
  r.set("Content-Type", "image/jpeg");
  r.set("Cache-Control", "no-store");
  r.body.assign(jpeg->begin(), jpeg->end());
  return r;
}

Reply Trimming::make(const ledger::RollState& roll, const profile::Trim& trim) {
  const auto n = negative(roll);
  if (!n) return failed(n.error());
  {
    const std::lock_guard lock(mutex_);
    if (making_.state == "running") return refusal(409, "the sheet of roll " + making_.roll + " is being made anew; one at a time");
    making_ = {roll.roll.name, "running", "", 0};
  }
  if (maker_.joinable()) maker_.join();
  // A roll that looks as its stock says follows the stock.
  const bool of_roll = !(trim == (*n)->stock.trim);
  maker_ = std::thread([this, name = roll.roll.name, trim, of_roll] {
    auto done = [&]() -> Result<std::vector<std::string>> {
      auto ledger = ledger::Ledger::open(setting_.archive);
      if (!ledger) return fail(ledger.error());
      station::Remake how{trim, of_roll, setting_.paper, [this](double share) {
                            const std::lock_guard lock(mutex_);
                            making_.share = share;
                          }};
      return station::remake_proof(setting_.archive, setting_.shelf, *ledger, name, setting_.outside, how, stop_);
    };
    Result<std::vector<std::string>> made = fail(Fault::internal, "");
    try {
      made = done();
    } catch (const std::exception& e) {  // out of memory, most likely; the proof that was there stays
      made = fail(Fault::internal, e.what());
    }
    std::string text = made ? "" : say(made.error());
    if (made)
      for (const std::string& caution : *made) text += (text.empty() ? "" : "; ") + caution;
    const std::lock_guard lock(mutex_);
    making_.state = made ? "done" : "failed", making_.share = made ? 1 : making_.share, making_.say = text;
  });
  return json_reply({{"making", {{"state", "running"}, {"share", 0}, {"say", ""}}}}, 202);
}

Reply Trimming::keep(const ledger::RollState& roll, const profile::Trim& trim) {
  const auto kept = profile::keep_trim(setting_.shelf, setting_.own, roll.roll.stock, trim);
  if (!kept) return failed(kept.error());
  log_("trim of stock " + roll.roll.stock + " kept in " + kept->string());
  return json_reply({{"file", kept->string()}, {"trim", to_json(trim)}});
}

}  // namespace lapwright::review
