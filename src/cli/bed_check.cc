#include "cli/bed_check.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "bed/window_check.h"
#include "cli/records.h"
#include "ledger/ledger.h"

namespace lapwright::cli {
namespace {

constexpr int fine_enough = 75;  // ppi: half a million pixels of a large window

Json json_of(const Rect<BedSpace>& r) {
  return {{"x", r.x.mm()}, {"y", r.y.mm()}, {"width", r.width.mm()}, {"height", r.height.mm()}};
}

Result<bed::Request> request_for(const bed::Capability& known) {
  const std::string& name = known.device.name;
  if (known.film_source.empty() || !known.window || known.resolutions.empty())
    return fail(Fault::bad_data,
                name +
                    ": no film light, window or resolution is understood; lapwright beds --probe "
                    "shows what is");
  const auto enough = std::find_if(known.resolutions.begin(), known.resolutions.end(),
                                   [](int ppi) { return ppi >= fine_enough; });
  bed::Request request;
  request.device = name;
  request.window = *known.window;
  request.ppi = {enough == known.resolutions.end() ? known.resolutions.back() : *enough};
  return request;
}

Json document(const bed::Request& request, const bed::WindowFigures& f,
              const std::vector<bed::Finding>& found) {
  const char* shapes[] = {"linear", "curved", "unknown"};
  Json j = {{"device", request.device},
            {"ppi", request.ppi.value},
            {"window", json_of(request.window)},
            {"lit", json_of(f.lit)},
            {"level", f.level},
            {"clipped", f.clipped},
            {"evenness", f.evenness},
            {"bits", f.bits},
            {"scale", shapes[static_cast<int>(f.shape)]},
            {"noise_exponent", f.noise_exponent},
            {"noise_exponent_error", f.noise_exponent_error},
            {"findings", Json::array()}};
  for (const bed::Finding& one : found)
    j["findings"].push_back({{"good", one.good}, {"say", one.say}});
  return j;
}

/// Nothing when it was kept; else why not.
std::string kept(const Common& common, const Json& figures) {
  auto ledger = open_existing(common);
  if (!ledger) return ledger.error().text;
  const auto r = ledger->note("window.checked", figures);
  return r ? "" : r.error().text;
}

}  // namespace

Result<int> check_window(const Common& common, bed::Bed& bed, const bed::Capability& known) {
  const auto request = request_for(known);
  if (!request) return fail(request.error());
  say(known.device.name + ": capturing the empty window at " + std::to_string(request->ppi.value) +
      " ppi; nothing may lie on the glass ...");
  bed::WindowCheck check;
  const std::atomic<bool> stop = false;
  if (auto r = bed.capture(*request, check, stop); !r) return fail(r.error());
  const auto figures = check.figures();
  if (!figures) return fail(figures.error());
  const auto found = bed::findings(*figures, request->window);
  const bool good =
      std::all_of(found.begin(), found.end(), [](const bed::Finding& f) { return f.good; });
  Json j = document(*request, *figures, found);
  const std::string why = kept(common, j);
  j["kept"] = why.empty();
  if (common.json)
    print_json({{"checked", j}});
  else
    for (const bed::Finding& f : found) print((f.good ? "  good   " : "  WRONG  ") + f.say);
  say(why.empty() ? "the figures are in the ledger" : "the figures are in no ledger: " + why);
  return good ? 0 : 1;
}

}  // namespace lapwright::cli
