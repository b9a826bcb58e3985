#include "album.h"

#include <dlfcn.h>
#include <fcntl.h>
#include <signal.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <cstring>
#include <thread>

#include "noise.h"
#include "scenes.h"

namespace lapwright::flatbed {
namespace {

constexpr float step = 0.004F;
constexpr std::size_t page = 4096;

std::size_t level_pixels(int w, int h, int level) {
  return static_cast<std::size_t>(w >> level) * static_cast<std::size_t>(h >> level);
}

std::size_t picture_bytes(int w, int h) {
  std::size_t pixels = 0;
  for (int l = 0; l < Texture::levels; ++l) pixels += level_pixels(w, h, l);
  return (pixels * 4 + page - 1) / page * page;
}

std::uint32_t pack(const Densities& d) {
  const auto ten = [](float v) {
    return static_cast<std::uint32_t>(std::clamp(std::lround(v / step), 0L, 1023L));
  };
  return ten(d[0]) | ten(d[1]) << 10 | ten(d[2]) << 20;
}

Densities unpack(std::uint32_t p) {
  return {static_cast<float>(p & 1023) * step, static_cast<float>(p >> 10 & 1023) * step,
          static_cast<float>(p >> 20 & 1023) * step};
}

/// Paints, exposes and stores one picture and its smaller sizes.
void develop(const Shot& shot, const Film& film, int w, int h, std::uint32_t seed, std::uint32_t* out) {
  const Photo photo = paint_scene(shot.scene, shot.take, w, h);
  const auto exposure = static_cast<float>(std::exp2(shot.stops));
  Dice dice(seed);
  for (int y = 0; y < h; ++y) {
    for (int x = 0; x < w; ++x) {
      const Light& l = photo.row(y)[x];
      Densities d = film.at({l[0] * exposure, l[1] * exposure, l[2] * exposure});
      for (float& v : d) v += step * (dice.roll() - 0.5F);
      *out++ = pack(d);
    }
  }
  const std::uint32_t* above = out - level_pixels(w, h, 0);
  for (int l = 1; l < Texture::levels; ++l) {
    const int aw = w >> (l - 1), lw = w >> l, lh = h >> l;
    const std::uint32_t* next = out;
    for (int y = 0; y < lh; ++y) {
      for (int x = 0; x < lw; ++x) {
        Densities sum{};
        for (int k = 0; k < 4; ++k) {
          const Densities d = unpack(above[(2 * y + k / 2) * aw + 2 * x + k % 2]);
          for (std::size_t c = 0; c < 3; ++c) sum[c] += d[c] / 4;
        }
        *out++ = pack(sum);
      }
    }
    above = next;
  }
}

std::uint64_t key_of(const Description& d, int w, int h) {
  std::uint64_t key = 14695981039346656037ULL;
  const auto add = [&key](const void* data, std::size_t n) {
    for (std::size_t i = 0; i < n; ++i) key = (key ^ static_cast<const unsigned char*>(data)[i]) * 1099511628211ULL;
  };
  const auto add_int = [&add](std::int64_t v) { add(&v, sizeof v); };
  add_int(w), add_int(h), add_int(d.seed), add_int(static_cast<int>(d.process)), add_int(d.frames());
  for (const Shot& s : d.shots) {
    add(s.scene.data(), s.scene.size());
    add_int(s.take), add(&s.stops, sizeof s.stops);
  }
  Dl_info self{};
  struct stat info{};
  if (dladdr(reinterpret_cast<const void*>(&paint_scene), &self) != 0 && stat(self.dli_fname, &info) == 0) {
    add_int(info.st_size), add_int(info.st_mtim.tv_sec), add_int(info.st_mtim.tv_nsec);
  }
  return key;
}

struct Fd {
  int fd = -1;
  explicit Fd(int f) : fd(f) {}
  ~Fd() {
    if (fd >= 0) close(fd);
  }
  Fd(const Fd&) = delete;
  Fd& operator=(const Fd&) = delete;
};

void* map_file(int fd, std::size_t bytes, int protection) {
  void* m = mmap(nullptr, bytes, protection, MAP_SHARED, fd, 0);
  return m == MAP_FAILED ? nullptr : m;
}

/// Fills the file with every picture, on two threads.
bool paint_all(const Description& d, int fd, std::size_t bytes, std::size_t each, int w, int h) {
  if (posix_fallocate(fd, 0, static_cast<off_t>(bytes)) != 0) return false;
  const Film film(d.process);
  std::atomic<int> next{0};
  std::atomic<bool> good{true};
  const auto work = [&] {
    for (int i = next++; i < static_cast<int>(d.shots.size()) && i < d.frames(); i = next++) {
      const Shot& shot = d.shots[static_cast<std::size_t>(i)];
      if (shot.scene == "blank") continue;
      void* m = mmap(nullptr, each, PROT_READ | PROT_WRITE, MAP_SHARED, fd,
                     static_cast<off_t>(each * static_cast<std::size_t>(i)));
      if (m == MAP_FAILED) {
        good = false;
        return;
      }
      develop(shot, film, w, h, hash32(d.seed, static_cast<std::uint32_t>(i)), static_cast<std::uint32_t*>(m));
      munmap(m, each);
    }
  };
  sigset_t all, before;
  sigfillset(&all);
  pthread_sigmask(SIG_SETMASK, &all, &before);
  std::thread second(work);
  pthread_sigmask(SIG_SETMASK, &before, nullptr);
  work();
  second.join();
  return good;
}

}  // namespace

Densities Texture::at(float u, float v, int level) const {
  const int w = width_ >> level, h = height_ >> level;
  const float x = std::clamp(u * static_cast<float>(w) - 0.5F, 0.0F, static_cast<float>(w) - 1.001F);
  const float y = std::clamp(v * static_cast<float>(h) - 0.5F, 0.0F, static_cast<float>(h) - 1.001F);
  const int ix = static_cast<int>(x), iy = static_cast<int>(y);
  const float fx = x - static_cast<float>(ix), fy = y - static_cast<float>(iy);
  const std::uint32_t* p = data_ + start_[static_cast<std::size_t>(level)] +
                           static_cast<std::size_t>(iy) * static_cast<std::size_t>(w) + static_cast<std::size_t>(ix);
  const std::uint32_t a = p[0], b = p[1], c = p[w], d = p[w + 1];
  const float wb = fx * (1 - fy) * step, wc = (1 - fx) * fy * step, wd = fx * fy * step,
              wa = (1 - fx) * (1 - fy) * step;
  const auto blend = [&](int shift) {
    return wa * static_cast<float>(a >> shift & 1023) + wb * static_cast<float>(b >> shift & 1023) +
           wc * static_cast<float>(c >> shift & 1023) + wd * static_cast<float>(d >> shift & 1023);
  };
  return {blend(0), blend(10), blend(20)};
}

void Texture::let_go() const {
  madvise(const_cast<std::uint32_t*>(data_), bytes_, MADV_DONTNEED);
}

Result<std::shared_ptr<const Album>> Album::open(const Description& d, const std::string& folder) {
  const double longer = std::max(d.frame_width, d.frame_height);
  const int w = static_cast<int>(d.picture_px * d.frame_width / longer) / 16 * 16;
  const int h = static_cast<int>(d.picture_px * d.frame_height / longer) / 16 * 16;
  for (const Shot& s : d.shots) {
    if (s.scene != "blank" && !known_scene(s.scene)) {
      return fail(Fault::bad_data, d.file + ": pictures: there is no scene called " + s.scene);
    }
  }
  const std::size_t each = picture_bytes(w, h), bytes = each * static_cast<std::size_t>(d.frames());
  std::string name, draft = "/tmp/practice-album-XXXXXX";
  if (!folder.empty()) {
    char text[40];
    std::snprintf(text, sizeof text, "/album-%016llx.bin", static_cast<unsigned long long>(key_of(d, w, h)));
    name = folder + text;
    draft = folder + "/album-XXXXXX";
  }
  std::unique_ptr<Fd> file;
  if (!name.empty()) file = std::make_unique<Fd>(::open(name.c_str(), O_RDONLY | O_CLOEXEC));
  if (!file || file->fd < 0) {
    file = std::make_unique<Fd>(mkostemp(draft.data(), O_CLOEXEC));
    if (file->fd < 0) return fail(Fault::cannot_create, draft + ": cannot be made");
    const bool painted = paint_all(d, file->fd, bytes, each, w, h);
    if (!painted || name.empty() || rename(draft.c_str(), name.c_str()) != 0) unlink(draft.c_str());
    if (!painted) return fail(Fault::cannot_create, draft + ": no room for the pictures");
  }
  std::shared_ptr<Album> album(new Album());
  album->map_ = map_file(file->fd, bytes, PROT_READ);
  album->bytes_ = bytes;
  if (album->map_ == nullptr) return fail(Fault::cannot_create, "the album cannot be mapped");
  for (int i = 0; i < d.frames(); ++i) {
    Texture t;
    t.data_ = reinterpret_cast<const std::uint32_t*>(static_cast<const char*>(album->map_) +
                                                     each * static_cast<std::size_t>(i));
    t.width_ = w;
    t.height_ = h;
    t.bytes_ = each;
    std::size_t at = 0;
    for (int l = 0; l < Texture::levels; ++l) {
      t.start_[static_cast<std::size_t>(l)] = at;
      at += level_pixels(w, h, l);
    }
    album->pictures_.push_back(t);
    const auto k = static_cast<std::size_t>(i);
    album->blank_.push_back(k >= d.shots.size() || d.shots[k].scene == "blank");
  }
  return std::shared_ptr<const Album>(album);
}

Album::~Album() {
  if (map_ != nullptr) munmap(map_, bytes_);
}

}  // namespace lapwright::flatbed
