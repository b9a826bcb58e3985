#include "scenes.h"

#include <algorithm>
#include <set>

#include "scene_list.h"

namespace lapwright::flatbed {
namespace {

struct Scene {
  const char* name;
  void (*paint)(Photo&, int take);
  std::set<int> upright;  // takes for which the camera was turned
};

const std::vector<Scene>& scenes() {
  static const std::vector<Scene> list{
      {"lighthouse", paint_lighthouse, {3, 5}}, {"ferry", paint_ferry, {}},   {"boats", paint_boats, {3}},
      {"dusk", paint_dusk, {}},                 {"market", paint_market, {}}, {"lane", paint_lane, {1, 2, 3}},
      {"cafe", paint_cafe, {}},                 {"dog", paint_dog, {}},       {"fisherman", paint_fisherman, {2}}};
  return list;
}

const Scene* find(const std::string& name) {
  const auto it = std::find_if(scenes().begin(), scenes().end(), [&](const Scene& s) { return name == s.name; });
  return it == scenes().end() ? nullptr : &*it;
}

/// An upright picture as it lies on the film: the camera was turned to the left.
Photo lying(const Photo& upright) {
  Photo out(upright.height(), upright.width());
  for (int y = 0; y < out.height(); ++y) {
    for (int x = 0; x < out.width(); ++x) out.row(y)[x] = upright.row(x)[upright.width() - 1 - y];
  }
  return out;
}

}  // namespace

const std::vector<std::string>& scene_names() {
  static const std::vector<std::string> names = [] {
    std::vector<std::string> n;
    for (const Scene& s : scenes()) n.emplace_back(s.name);
    return n;
  }();
  return names;
}

bool known_scene(const std::string& name) { return find(name) != nullptr; }

Photo paint_scene(const std::string& name, int take, int width, int height) {
  const Scene* scene = find(name);
  const bool upright = scene != nullptr && width > height && scene->upright.count(take) > 0;
  Photo photo(upright ? height : width, upright ? width : height);
  if (scene == nullptr) {
    photo.fill([](float, float) { return Light{0.18F, 0.18F, 0.18F}; });
    return photo;
  }
  scene->paint(photo, take);
  return upright ? lying(photo) : photo;
}

}  // namespace lapwright::flatbed
