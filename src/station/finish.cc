#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "core/clock.h"
#include "core/files.h"
#include "density/density.h"
#include "join/wrong_side.h"
#include "proof/proof.h"
#include "proof/jpeg.h"
#include "proof/tone.h"
#include "station/earlier.h"
#include "station/full.h"

namespace lapwright::station {

namespace {

namespace fs = std::filesystem;

ledger::File named(const Setting& s, const fs::path& path, const std::string& sha256) {
  std::error_code ignored;
  return {fs::relative(path, s.archive).generic_string(), sha256,
          static_cast<std::uint64_t>(fs::file_size(path, ignored))};
}

Result<ledger::File> write_named(const Setting& s, const fs::path& path, const std::string& text) {
  if (auto r = core::write_file(path, text); !r) return fail(r.error());
  core::Sha256 sum;
  sum.add(text.data(), text.size());
  return named(s, path, sum.hex());
}

/// The passes opened, and where each lies; leftovers of an earlier try are gone.
struct Opened {
  std::vector<std::unique_ptr<raw::Reader>> readers;
  std::vector<join::Piece> pieces;
};

Result<Opened> open_passes(const Setting& s, const Assignment& a) {
  if (auto r = core::sweep_partials(a.folder(s)); !r) return fail(r.error());
  Opened o;
  std::vector<lap::Input> inputs;
  for (const auto& [number, pass] : a.passes) {
    auto reader = raw::Reader::open(s.archive / pass.file.path);
    if (!reader) return fail(reader.error());
    inputs.push_back({reader->get(), pass.planned, number});
    o.readers.push_back(std::move(*reader));
  }
  if (a.job.kind == ledger::JobKind::proof) {
    auto placed = join::place(inputs, a.laps);
    if (!placed) return fail(placed.error());
    o.pieces = std::move(placed->pieces);
  } else {
    for (const lap::Input& i : inputs)
      o.pieces.push_back({i.picture, a.passes.at(i.number).placement, {}, i.number});
  }
  return o;
}

raw::Tags tags_of(const Setting& s, const Assignment& a, const std::string& page) {
  return {.roll = a.job.roll.name,
          .page = page,
          .make = s.identity.vendor,
          .model = s.identity.model,
          .date_time = {},
          .note = {}};
}

Result<join::Sheet> write_sheet(const Setting& s, const Assignment& a, const fs::path& file,
                                const std::string& page, const std::vector<join::Piece>& pieces,
                                const join::SheetGeometry& geometry,
                                const std::atomic<bool>& stop) {
  return join::write_sheet(file, pieces, a.plan.laps, geometry, tags_of(s, a, page), stop);
}

profile::Card make_card(const Assignment& a, const Opened& o, const join::SheetGeometry& g,
                        const raw::Written& written) {
  profile::Card card = join::card_of(written, g, o.pieces, a.laps);
  card.roll = a.job.roll.name;
  card.sleeve = a.sleeve.name;
  card.stock = a.stock.name;
  for (profile::Card::Pass& pass : card.passes) {
    const KeptPass& kept = a.passes.at(pass.pass);
    pass.file = fs::path(kept.file.path).filename().string();
    pass.sha256 = kept.file.sha256;
    pass.device = kept.capture.value("device", "");
    pass.started = kept.capture.value("started", "");
    pass.finished = kept.capture.value("finished", "");
    if (kept.infrared) {
      profile::Card::Infrared& i = pass.infrared.emplace();
      i.file = fs::path(kept.infrared->file.path).filename().string();
      i.sha256 = kept.infrared->file.sha256, i.residual_px = kept.infrared->residual_px;
      if (const auto& m = kept.infrared->from_visible)
        i.to_infrared = {m->a, m->b, m->c, m->d, m->e, m->f};
    }
    if (kept.capture.contains("options"))
      for (const auto& [name, value] : kept.capture["options"].items())
        pass.options.emplace_back(name,
                                  value.is_string() ? value.get<std::string>() : value.dump());
  }
  return card;
}

/// How the sheet of a sleeve that lies wrong side up is put right: along its strips, or, where the
/// film's numbers run backwards too, across them.
join::Reversed wrong_way(const profile::SleeveProfile& sleeve, const frames::RollEdge& edge) {
  const bool run_right = sleeve.strips.run == profile::Run::right;
  return run_right != edge.turned ? join::Reversed::columns : join::Reversed::rows;
}

void turn_over(profile::Card& card, const Affine<SleeveSpace, SleeveSpace>& over) {
  card.mirrored = true;
  for (profile::Card::Pass& pass : card.passes) {
    const auto& p = pass.sleeve_to_pass;
    const auto m = core::compose(
        Affine<SleeveSpace, PassSpace>{p[0], p[1], p[2], p[3], p[4], p[5]}, over);
    pass.sleeve_to_pass = {m.a, m.b, m.c, m.d, m.e, m.f};
  }
}

Json lettering_json(const density::Lettering& l) {
  Json j = {{"found", l.found},
            {"lightness", l.lightness},
            {"chroma", l.chroma},
            {"hue_degrees", l.hue_degrees},
            {"verdict", l.verdict},
            {"earlier", l.earlier}};
  if (!l.why.empty()) j["why"] = l.why;
  if (l.trim)
    j["trim"] = {{"warmth", l.trim->warmth},
                 {"tint", l.trim->tint},
                 {"brightness", l.trim->brightness},
                 {"contrast", l.trim->contrast}};
  return j;
}

/// The picture that an outside stage makes of a sheet; its file goes with this object.
struct Outside {
  fs::path file;
  std::unique_ptr<raw::Reader> picture;
  Json said;

  explicit Outside(fs::path f) : file(std::move(f)) {}
  Outside(const Outside&) = delete;
  Outside& operator=(const Outside&) = delete;
  ~Outside() {
    (void)core::remove_file(file);  // ".*.part": swept later when it stays
  }
  Result<> make(const std::vector<std::string>& command, const fs::path& sheet,
                const fs::path& card, const join::SheetGeometry& g) {
    const auto done =
        density::run_outside_stage(command, sheet.string(), card.string(), file.string());
    if (!done) return fail(done.error());
    said = {{"command", command}, {"exit_code", done->exit_code}, {"last_lines", done->last_lines}};
    auto reader = raw::Reader::open(file);
    const std::string stage = "the outside conversion stage " + command[0] + ": ";
    if (!reader) return fail(reader.error().fault, stage + reader.error().text);
    picture = std::move(*reader);
    if (picture->width() != g.width || picture->height() != g.height)
      return fail(Fault::bad_data, stage + "its picture has " + std::to_string(picture->width()) +
                                       " x " + std::to_string(picture->height()) +
                                       " pixels; the sheet's " + std::to_string(g.width) + " x " +
                                       std::to_string(g.height) + " would be right");
    return {};
  }
};

}  // namespace

Result<Products> finish_proof(const Setting& s, const Assignment& a, const Tell& tell,
                              const std::atomic<bool>& stop) {
  const fs::path folder = a.folder(s);
  Products products;
  auto opened = open_passes(s, a);
  if (!opened) return fail(opened.error());

  core::Stopwatch watch;
  auto geometry = join::SheetGeometry::of(join::sheet_area(a.plan), a.plan.ppi);
  const fs::path sheet_path = folder / "sheet.tif";
  auto joined = write_sheet(s, a, sheet_path, "sheet", opened->pieces, geometry, stop);
  if (!joined) return fail(joined.error());
  raw::Written& written = joined->written;
  auto sheet = raw::Reader::open(sheet_path);
  if (!sheet) return fail(sheet.error());
  auto found = frames::find(**sheet, geometry.origin, a.sleeve, a.stock.process);
  if (!found) return fail(found.error());
  std::optional<Affine<SleeveSpace, SleeveSpace>> over;
  if (found->edge.mirrored) {
    const auto what = wrong_way(a.sleeve, found->edge);
    auto right = join::put_right(sheet_path, a.sleeve, what, tags_of(s, a, "sheet"), stop, geometry);
    if (!right) return fail(right.error());
    written = std::move(*right), over = join::turned_over(a.sleeve, what);
    sheet = raw::Reader::open(sheet_path);
    if (!sheet) return fail(sheet.error());
    found = frames::find(**sheet, geometry.origin, a.sleeve, a.stock.process);
    if (!found) return fail(found.error());
    found->edge.cautions.insert(
        found->edge.cautions.begin(),
        std::string("the sleeve lay wrong side up: the sheet was put right by reversing its ") +
            (what == join::Reversed::columns ? "columns" : "rows") + ", no sample was changed");
  }
  products.files.push_back(named(s, sheet_path, written.sha256));
  for (const auto& [number, pass] : a.passes)
    if (pass.infrared) products.files.push_back(pass.infrared->file);
  tell("joined", {{"file", sheet_path.string()},
                  {"sha256", written.sha256},
                  {"seconds", watch.seconds()},
                  {"uncovered_pixels", joined->report.uncovered_pixels}});

  watch.restart();
  auto measured = density::measure(**sheet, geometry.origin, a.sleeve, a.stock);
  if (!measured) return fail(measured.error());
  profile::Card card = make_card(a, *opened, geometry, written);
  if (over) turn_over(card, *over);
  density::tell(*measured, card);
  const bool evened = s.even && s.convert.empty();
  card.positive = {a.stock.trim, false, evened, !s.convert.empty()};
  const density::Converter converter(a.stock, *measured);
  density::PositiveSource built_in(**sheet, converter);
  density::Lettering lettering;
  if (s.convert.empty()) {
    auto read = density::gauge(built_in, geometry.origin, a.sleeve);
    if (!read) return fail(read.error());
    lettering = *read;
    if (lettering.found) card.lettering = density::before_trim(lettering, a.stock.trim);
    density::compare(lettering, a.stock.process, a.stock.trim,
                     earlier_lettering(s.archive, a.stock.name, a.job.roll.name));
  }
  auto card_file = write_named(s, folder / "sheet.yaml", profile::write_card(card));
  if (!card_file) return fail(card_file.error());
  products.files.push_back(*card_file);

  // The positive: the built-in stage as the rows are asked for, or an outside stage's 16-bit
  // picture.
  Outside outside(folder / ".outside.tif.part");
  image::RowSource* positive = &built_in;
  if (!s.convert.empty()) {
    if (auto r = outside.make(s.convert, sheet_path, folder / "sheet.yaml", geometry); !r)
      return fail(r.error());
    products.outside = outside.said;
    positive = outside.picture.get();
    auto read = density::gauge(*positive, geometry.origin, a.sleeve);
    if (!read) return fail(read.error());
    lettering = *read;  // not to be compared with sheets of another stage
  }
  std::unique_ptr<density::EvenSource> even;
  if (evened) {
    std::vector<Rect<SleeveSpace>> areas;
    for (const frames::Frame& f : found->frames) areas.push_back(frames::inside(f));
    auto made = density::EvenSource::of(**sheet, geometry.origin, a.stock, *measured, areas);
    if (!made) return fail(made.error());
    even = std::move(*made);
    positive = even.get();
  }
  const std::string note =
      a.job.roll.note + (evened ? a.job.roll.note.empty() ? "each frame balanced by itself"
                                                          : "; each frame balanced by itself"
                                : "");

  std::vector<std::string> cautions = measured->cautions;
  cautions.insert(cautions.end(), found->edge.cautions.begin(), found->edge.cautions.end());
  if (found->edge.film)
    if (auto text = profile::film_caution(
            s.shelf, a.stock, *found->edge.film,
            earlier_stocks(s.archive, *found->edge.film, a.job.roll.name));
        !text.empty())
      cautions.push_back(std::move(text));

  const proof::Caption caption{a.job.roll.name,
                               a.stock.about.empty() ? a.stock.name : a.stock.about,
                               a.job.roll.shot, note, core::rfc3339_now().substr(0, 10),
                               s.identity.vendor, s.identity.model, written.sha256};
  proof::Options print;
  if (s.paper) print.paper = {(*s.paper)[0], (*s.paper)[1]};
  auto made = proof::make(*positive, geometry.origin, a.sleeve, found->frames, caption, folder,
                          stop, print);
  if (!made) return fail(made.error());
  for (const proof::MadeFile* file : made->files())
    products.files.push_back(named(s, file->path, file->sha256));
  cautions.insert(cautions.end(), made->cautions.begin(), made->cautions.end());
  const auto& d = measured->base_density;
  tell("converted", {{"file", made->jpg.path.string()},
                     {"stage", s.convert.empty() ? "built-in" : "outside"},
                     {"base", {{"red", d[0]}, {"green", d[1]}, {"blue", d[2]}}},
                     {"lettering", lettering_json(lettering)},
                     {"even", evened},
                     {"cautions", cautions},
                     {"seconds", watch.seconds()}});

  auto features = features_of(**sheet, geometry.origin, found->frames);
  if (!features) return fail(features.error());
  auto features_written = write_named(s, folder / features_file, features_json(*features).dump() + "\n");
  if (!features_written) return fail(features_written.error());
  products.files.push_back(*features_written);

  products.frames = frames::to_json(*found);
  auto frames_file = write_named(s, folder / "frames.json", products.frames.dump(1) + "\n");
  if (!frames_file) return fail(frames_file.error());
  products.files.push_back(*frames_file);
  tell("frames", {{"count", found->frames.size()}, {"sure", found->sure}});
  auto plan_file = write_named(s, folder / "plan.json", plan::to_json(a.plan).dump(1) + "\n");
  if (!plan_file) return fail(plan_file.error());
  products.files.push_back(*plan_file);
  return products;
}

namespace {

/// The placement rounded to a whole quarter turn and whole pixels around the frame, so that the
/// frame's pixels are copied as they were captured.
lap::Placement snapped(const lap::Placement& placement, const join::SheetGeometry& g) {
  const Spot<SleeveSpace> centre{
      g.origin.x + static_cast<double>(g.width) / 2 * g.ppi.mm_per_pixel(),
      g.origin.y + static_cast<double>(g.height) / 2 * g.ppi.mm_per_pixel()};
  const Spot<PassSpace> there = placement(centre);
  const double k = g.ppi.pixels_per_mm();
  const auto quarter = [&](double v) { return std::abs(v) > k / 2 ? std::copysign(k, v) : 0.0; };
  lap::Placement out;
  auto& m = out.affine;
  m.a = quarter(placement.affine.a), m.b = quarter(placement.affine.b);
  m.c = quarter(placement.affine.c), m.d = quarter(placement.affine.d);
  // Whole pixels at the sheet's origin, so that pixel edges fall on pixel edges.
  const double x0 =
      std::round(there.x + m.a * (g.origin.x - centre.x) + m.c * (g.origin.y - centre.y));
  const double y0 =
      std::round(there.y + m.b * (g.origin.x - centre.x) + m.d * (g.origin.y - centre.y));
  m.e = x0 - m.a * g.origin.x - m.c * g.origin.y;
  m.f = y0 - m.b * g.origin.x - m.d * g.origin.y;
  return out;
}

constexpr double may_lie_askew_mm = 1;  // of the 1.5 mm of film around a frame

/// Whether the frame lies so straight in its pass that its pixels can stay as they were captured.
bool straight(const lap::Placement& placement, const lap::Placement& snapped,
              const std::array<Spot<SleeveSpace>, 4>& corners, Ppi ppi) {
  return std::all_of(corners.begin(), corners.end(), [&](const auto& c) {
    const auto p = placement(c), q = snapped(c);
    return std::hypot(p.x - q.x, p.y - q.y) <= may_lie_askew_mm * ppi.pixels_per_mm();
  });
}

/// What the roll's proof is made with; nothing where its card does not tell.
Result<std::optional<profile::Card::Positive>> positive_of(const Setting& s, const Assignment& a) {
  const fs::path file = ledger::archive::roll_folder(s.archive, a.job.roll.name) / "proof" / "sheet.yaml";
  const auto text = core::read_file(file);
  if (!text) return fail(text.error());
  const auto card = profile::read_card(*text, file.string());
  if (!card) return fail(card.error());
  return card->positive;
}

/// The light that the frame's card tells of: the proof's own, as this pass sees it.
void tell_light(profile::Card& card, const profile::Card& proof, Spot<SleeveSpace> middle,
                const std::array<double, 3>& light) {
  if (!proof.open_light || !proof.base) return;
  const double u = 2 * (middle.x - proof.origin_mm.x) / (static_cast<double>(proof.width.value) * proof.mm_per_pixel) - 1;
  const double v = 2 * (middle.y - proof.origin_mm.y) / (static_cast<double>(proof.height.value) * proof.mm_per_pixel) - 1;
  card.open_light = proof.open_light, card.base = proof.base, card.flare = proof.flare, card.balance = proof.balance;
  for (std::size_t c = 0; c < 3; ++c) {
    double log = 0;
    if (proof.evenness) {
      const auto& t = proof.evenness->terms[c];
      log = t[0] * u + t[1] * u * u + t[2] * u * u * u + t[3] * v + t[4] * v * v + t[5] * v * v * v;
    }
    const double there = light[c] * std::pow(10.0, log);
    for (auto* reading : {&*card.open_light, &*card.base})
      reading->counts[c] = std::clamp(reading->counts[c] * there, 0.001, 65535.0);
    if (card.flare) (*card.flare)[c] *= light[c];
  }
}

/// The positive to look at: the frame as its proof looks, by the same stage.
Result<ledger::File> write_positive(const Setting& s, const Assignment& a, const fs::path& stem,
                                    const profile::Card& card, const join::SheetGeometry& g) {
  auto linear = raw::Reader::open(stem.string() + ".tif");
  if (!linear) return fail(linear.error());
  std::optional<density::Measured> measured = density::measured_from(card, a.stock);
  if (!measured && s.convert.empty()) {
    auto read = density::measure(**linear, a.stock);
    if (!read) return fail(read.error());
    measured = std::move(*read);
  }
  std::optional<density::Converter> converter;
  std::optional<density::PositiveSource> built_in;
  Outside outside(stem.parent_path() / ".outside.tif.part");
  image::RowSource* positive = nullptr;
  if (s.convert.empty()) {
    converter.emplace(a.stock, *measured);
    built_in.emplace(**linear, *converter);
    positive = &*built_in;
  } else {
    if (auto r = outside.make(s.convert, stem.string() + ".tif", stem.string() + ".yaml", g); !r) return fail(r.error());
    positive = outside.picture.get();
  }
  const fs::path path = stem.string() + ".jpg";
  auto file = core::NewFile::create(path, 0);
  if (!file) return fail(file.error());
  auto jpeg = proof::JpegFile::start(*file, g.width, g.height, g.ppi, 94, density::srgb_icc_profile());
  if (!jpeg) return fail(jpeg.error());
  std::vector<std::uint16_t> row(static_cast<std::size_t>(g.width * 3));
  std::vector<std::uint8_t> eight(row.size());
  for (std::int64_t y = 0; y < g.height; ++y) {
    if (auto r = positive->read(y, 1, row.data()); !r) return fail(r.error());
    proof::to_8bit(row.data(), g.width, y, eight.data());
    if (auto r = jpeg->row(eight.data()); !r) return fail(r.error());
  }
  if (auto r = jpeg->finish(); !r) return fail(r.error());
  if (auto r = file->publish(); !r) return fail(r.error());
  auto sum = core::sha256_of(path);
  if (!sum) return fail(sum.error());
  return named(s, path, *sum);
}

/// The infrared pictures of the passes that a frame is cut from, each where its own lies; nothing
/// where one of them has none or could not be measured.
struct InfraredPieces {
  std::vector<std::unique_ptr<raw::Reader>> readers;
  std::vector<join::Piece> pieces;
};
Result<InfraredPieces> infrared_of(const Setting& s, const Assignment& a,
                                   const std::vector<join::Piece>& visible) {
  InfraredPieces out;
  for (const join::Piece& piece : visible) {
    const auto& infrared = a.passes.at(piece.number).infrared;
    if (!infrared || !infrared->from_visible) return InfraredPieces{};
    auto reader = raw::Reader::open(s.archive / infrared->file.path);
    if (!reader) return fail(reader.error());
    join::Piece lies = piece;
    lies.picture = reader->get(), lies.light = {};
    lies.placement.affine = core::compose(*infrared->from_visible, piece.placement.affine);
    out.pieces.push_back(lies);
    out.readers.push_back(std::move(*reader));
  }
  return out;
}

}  // namespace

Result<Products> finish_full(const Setting& s, const Assignment& given, const Tell& tell,
                             const std::atomic<bool>& stop) {
  Products products;
  // Frames look like their proof: with the trim that it has now.
  Assignment a = given;
  const auto positive_now = positive_of(s, a);
  if (!positive_now) return fail(positive_now.error());
  if (*positive_now) a.stock.trim = (*positive_now)->trim;
  auto opened = open_passes(s, a);
  if (!opened) return fail(opened.error());
  products.checks = Json::array();
  for (const frames::Frame& frame : a.wanted) {
    const auto found = a.found.find(frame.frame);
    if (found == a.found.end()) continue;  // stays due
    if (stop)
      return fail(Fault::cancelled,
                  "stopped while cutting out frames; they are made at the next start");
    core::Stopwatch watch;
    const auto geometry = join::SheetGeometry::of(crop_area(frame), a.plan.ppi);
    const auto from = std::find_if(opened->pieces.begin(), opened->pieces.end(), [&](const join::Piece& p) { return p.number == found->second.pass; });
    if (from == opened->pieces.end()) return fail(Fault::internal, "frame " + frame.frame + " was found in a pass that is gone");
    std::vector<join::Piece> pieces{*from};
    auto& lies = pieces[0].placement.affine;
    const Spot<SleeveSpace> off = found->second.match.off;
    lies.e += lies.a * off.x + lies.c * off.y, lies.f += lies.b * off.x + lies.d * off.y;
    if (const auto as_captured = snapped(pieces[0].placement, geometry); straight(pieces[0].placement, as_captured, frame.corners, geometry.ppi))
      pieces[0].placement = as_captured;
    const fs::path stem = a.frame_stem(s, frame.frame);
    auto joined = write_sheet(s, a, stem.string() + ".tif", frame.frame, pieces, geometry, stop);
    if (!joined) return fail(joined.error());
    const raw::Written& written = joined->written;
    products.files.push_back(named(s, written.path, written.sha256));
    profile::Card card = make_card(a, *opened, geometry, written);
    std::erase_if(card.passes, [&](const profile::Card::Pass& p) { return p.pass != found->second.pass; });
    for (profile::Card::Pass& pass : card.passes) {
      pass.infrared.reset();  // they go with the passes
      pass.sleeve_to_pass = {lies.a, lies.b, lies.c, lies.d, lies.e, lies.f};
    }
    Spot<SleeveSpace> middle{};
    for (const auto& c : frame.corners) middle.x += c.x / 4, middle.y += c.y / 4;
    tell_light(card, a.print->card, middle, found->second.match.light);
    if (*positive_now) card.positive = {(*positive_now)->trim, (*positive_now)->of_roll, false, !s.convert.empty()};
    auto infrared = infrared_of(s, a, pieces);
    if (!infrared) return fail(infrared.error());
    if (!infrared->pieces.empty()) {
      auto made = write_sheet(s, a, stem.string() + "-infrared.tif", frame.frame + " infrared",
                              infrared->pieces, geometry, stop);
      if (!made) return fail(made.error());
      products.files.push_back(named(s, made->written.path, made->written.sha256));
      card.infrared = {made->written.path.filename().string(), made->written.sha256, {}, 0};
    }
    auto card_file = write_named(s, stem.string() + ".yaml", profile::write_card(card));
    if (!card_file) return fail(card_file.error());
    products.files.push_back(*card_file);
    auto positive = write_positive(s, a, stem, card, geometry);
    if (!positive) return fail(positive.error());
    products.files.push_back(*positive);
    products.at_full.push_back(frame.frame);
    const auto& m = found->second.match;
    Json check = {{"frame", frame.frame},
                  {"ppi_asked", a.plan.ppi.value},
                  {"ppi_got", a.passes.at(found->second.pass).capture.value("ppi", 0)},
                  {"compared", m.told},
                  {"correlation", m.correlation},
                  {"sharpness", m.sharpness},
                  {"resampled", joined->report.resampled}};
    if (!found->second.caution.empty()) check["caution"] = found->second.caution;
    products.checks.push_back(check);
    tell("joined", {{"file", written.path.string()},
                    {"sha256", written.sha256},
                    {"frame", frame.frame},
                    {"positive", (s.archive / positive->path).string()},
                    {"resampled", joined->report.resampled},
                    {"seconds", watch.seconds()}});
  }
  return products;
}

}  // namespace lapwright::station
