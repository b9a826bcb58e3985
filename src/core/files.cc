#include "core/files.h"

#include <fcntl.h>
#include <openssl/evp.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <cstring>
#include <memory>
#include <vector>

namespace lapwright::core {
namespace {

namespace fs = std::filesystem;

std::atomic<std::int64_t> calls{0};
std::atomic<std::int64_t> fails_at{0};
std::atomic<int> fails_with{EIO};

/// Counts one system call; true when the test asked for this one to fail (errno is then set).
bool made_to_fail() {
  const std::int64_t n = ++calls;
  if (fails_at.load() == 0 || n != fails_at.load()) return false;
  errno = fails_with.load();
  return true;
}

std::function<void(const DiskCall&)> watching;
void tell(const DiskCall& call) {
  if (watching) watching(call);
}
using Kind = DiskCall::Kind;

std::string reason() { return std::strerror(errno); }
std::string reason_and_advice() { return reason() + advice(errno); }

Fault create_fault() { return errno == EIO ? Fault::io : Fault::cannot_create; }

fs::path folder_of(const fs::path& path) {
  return path.has_parent_path() ? path.parent_path() : fs::path(".");
}

}  // namespace

std::string advice(int error_number) {
  switch (error_number) {
    case ENOSPC:
    case EDQUOT:
      return "; free some space on this disk";
    case EROFS:
      return "; this disk can only be read: make it writable or name another folder";
    case EACCES:
    case EPERM:
      return "; the folder must be yours to write";
    case ENOENT:
    case ENOTDIR:
    case ENODEV:
      return "; the folder must be there: bring it back or name another";
    case EIO:
      return "; the disk fails: see to it before anything else is kept there";
    default:
      return "";
  }
}

Result<> flush_folder(const fs::path& folder) {
  const int fd = made_to_fail() ? -1 : ::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (fd < 0)
    return fail(Fault::io, folder.string() +
                               ": the folder cannot be opened to flush it: " + reason_and_advice());
  const bool ok = !made_to_fail() && (::fsync(fd) == 0 || errno == EINVAL);
  const std::string why = ok ? "" : reason_and_advice();
  ::close(fd);
  if (!ok)
    return fail(Fault::io, folder.string() + ": the folder cannot be flushed to disk: " + why);
  tell({Kind::flush_folder, folder});
  return {};
}

Result<fs::path> temporary_folder() {
  std::error_code trouble;
  std::string folder = (fs::temp_directory_path(trouble) / "lapwright-XXXXXX").string();
  if (trouble || !::mkdtemp(folder.data()))
    return fail(Fault::cannot_create, folder + ": no temporary folder can be made there");
  return fs::path(folder);
}

Result<> make_folder(const fs::path& folder) {
  std::error_code ignored;
  if (folder.empty() || fs::is_directory(folder, ignored)) return {};
  const fs::path parent = folder_of(folder);
  if (auto r = make_folder(parent); !r) return r;
  if (made_to_fail() || (::mkdir(folder.c_str(), 0777) != 0 && errno != EEXIST))
    return fail(create_fault(),
                folder.string() + ": the folder cannot be made: " + reason_and_advice());
  tell({Kind::make_folder, folder});
  return flush_folder(parent);
}

Result<> remove_file(const fs::path& path) {
  if (made_to_fail() || ::unlink(path.c_str()) != 0) {
    if (errno == ENOENT) return {};
    return fail(Fault::io, path.string() + ": cannot be removed: " + reason_and_advice());
  }
  tell({Kind::remove, path});
  return {};
}

Result<> rename_file(const fs::path& from, const fs::path& to) {
  if (made_to_fail() || ::rename(from.c_str(), to.c_str()) != 0)
    return fail(Fault::io, from.string() + ": cannot be named " + to.filename().string() + ": " +
                               reason_and_advice());
  tell({Kind::rename, from, to});
  return {};
}

Result<> link_file(const fs::path& from, const fs::path& to) {
  if (!made_to_fail() && ::link(from.c_str(), to.c_str()) == 0) {
    tell({Kind::link, from, to});
    return {};
  }
  if (errno != EPERM && errno != EOPNOTSUPP && errno != EMLINK)
    return fail(Fault::io, from.string() + ": cannot be kept as " + to.filename().string() + ": " +
                               reason_and_advice());
  const auto bytes = read_file(from, std::uint64_t{4} << 30);
  return bytes ? write_file(to, *bytes) : fail(bytes.error());
}

void fail_nth_call(std::int64_t n, int error_number) {
  calls = 0;
  fails_with = error_number;
  fails_at = n;
}
std::int64_t calls_made() { return calls.load(); }
void watch_calls(std::function<void(const DiskCall&)> watcher) { watching = std::move(watcher); }

struct Sha256::State {
  EVP_MD_CTX* context = EVP_MD_CTX_new();
  ~State() { EVP_MD_CTX_free(context); }
};

Sha256::Sha256() : state_(std::make_unique<State>()) {
  EVP_DigestInit_ex(state_->context, EVP_sha256(), nullptr);
}
Sha256::~Sha256() = default;
Sha256::Sha256(Sha256&&) noexcept = default;
Sha256& Sha256::operator=(Sha256&&) noexcept = default;

void Sha256::add(const void* data, std::size_t bytes) {
  EVP_DigestUpdate(state_->context, data, bytes);
}

std::string Sha256::hex() {
  unsigned char digest[EVP_MAX_MD_SIZE];
  unsigned length = 0;
  EVP_DigestFinal_ex(state_->context, digest, &length);
  static constexpr char digits[] = "0123456789abcdef";
  std::string text;
  for (unsigned i = 0; i < length; ++i) {
    text += digits[digest[i] >> 4];
    text += digits[digest[i] & 15];
  }
  return text;
}

Result<NewFile> NewFile::create(const fs::path& final_path, std::uint64_t expected_bytes,
                                Existing existing) {
  std::error_code ignored;
  if (existing == Existing::refuse && fs::exists(final_path, ignored))
    return fail(Fault::cannot_create,
                final_path.string() + ": exists already and is never overwritten");
  const fs::path folder = folder_of(final_path);
  if (auto r = make_folder(folder); !r) return fail(r.error());
  NewFile file;
  file.final_ = final_path;
  file.existing_ = existing;
  file.partial_ = folder / ("." + final_path.filename().string() + ".part");
  file.fd_ = made_to_fail()
                 ? -1
                 : ::open(file.partial_.c_str(), O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
  if (file.fd_ < 0) {
    const std::string why = reason_and_advice();
    const Fault fault = create_fault();
    file.partial_.clear();
    return fail(fault, final_path.string() + ": cannot be made: " + why);
  }
  tell({Kind::open, file.partial_});
  if (auto r = file.reserve(expected_bytes); !r) return fail(r.error());
  return file;
}

Result<> NewFile::reserve(std::uint64_t bytes) {
  if (bytes == 0) return {};
  const int error = made_to_fail() ? errno : ::posix_fallocate(fd_, 0, static_cast<off_t>(bytes));
  if (error != 0 && error != EOPNOTSUPP && error != EINVAL) {
    errno = error;
    return fail(create_fault(), final_.string() + ": " + std::to_string(bytes) +
                                    " bytes cannot be reserved: " + reason_and_advice());
  }
  if (error == 0) tell({Kind::cut, partial_, {}, bytes});
  return {};
}

NewFile::NewFile(NewFile&& o) noexcept { *this = std::move(o); }

NewFile& NewFile::operator=(NewFile&& o) noexcept {
  if (this == &o) return *this;
  withdraw();
  fd_ = std::exchange(o.fd_, -1);
  direct_ = std::exchange(o.direct_, -1);
  existing_ = o.existing_;
  partial_ = std::exchange(o.partial_, {});
  final_ = std::exchange(o.final_, {});
  return *this;
}

NewFile::~NewFile() { withdraw(); }

void NewFile::withdraw() {
  for (int* fd : {&fd_, &direct_})
    if (*fd >= 0) ::close(std::exchange(*fd, -1));
  if (!partial_.empty() && ::unlink(partial_.c_str()) == 0) tell({Kind::remove, partial_});
  partial_.clear();
}

Result<> NewFile::write(const void* data, std::size_t bytes) {
  const char* p = static_cast<const char*>(data);
  while (bytes > 0) {
    const ssize_t n = made_to_fail() ? -1 : ::write(fd_, p, bytes);
    if (n < 0 && errno == EINTR) continue;
    if (n < 0)
      return fail(Fault::io, final_.string() + ": cannot be written: " + reason_and_advice());
    if (watching)
      tell({Kind::write,
            partial_,
            {},
            static_cast<std::uint64_t>(::lseek(fd_, 0, SEEK_CUR) - n),
            {p, static_cast<std::size_t>(n)}});
    p += n, bytes -= static_cast<std::size_t>(n);
  }
  return {};
}

Result<> NewFile::write_at(std::uint64_t offset, const void* data, std::size_t bytes) {
  const char* p = static_cast<const char*>(data);
  while (bytes > 0) {
    const bool whole = (offset | bytes | reinterpret_cast<std::uintptr_t>(p)) % block == 0;
    const int to = whole && direct_ >= 0 ? direct_ : fd_;
    const ssize_t n = made_to_fail() ? -1 : ::pwrite(to, p, bytes, static_cast<off_t>(offset));
    if (n < 0 && errno == EINTR) continue;
    if (n < 0 && to == direct_ && errno == EINVAL) {  // this disk wants larger blocks
      ::close(std::exchange(direct_, -1));
      continue;
    }
    if (n < 0)
      return fail(Fault::io, final_.string() + ": cannot be written: " + reason_and_advice());
    tell({Kind::write, partial_, {}, offset, {p, static_cast<std::size_t>(n)}});
    p += n, bytes -= static_cast<std::size_t>(n), offset += static_cast<std::uint64_t>(n);
  }
  return {};
}

bool NewFile::pass_by_cache() {
  direct_ = ::open(partial_.c_str(), O_WRONLY | O_DIRECT | O_CLOEXEC);
  return direct_ >= 0;
}

Result<> NewFile::cut(std::uint64_t bytes) {
  if (made_to_fail() || ::ftruncate(fd_, static_cast<off_t>(bytes)) != 0)
    return fail(Fault::io,
                final_.string() + ": cannot be cut to its length: " + reason_and_advice());
  tell({Kind::cut, partial_, {}, bytes});
  return {};
}

Result<> NewFile::publish() {
  const auto failed = [&](const char* what) {
    return fail(Fault::io, final_.string() + ": " + what + ": " + reason_and_advice() +
                               "; the file was dropped");
  };
  // A failed fsync is final: the pages it could not write are gone, a second call would only hide
  // it.
  if (made_to_fail() || ::fsync(fd_) != 0) return failed("cannot be flushed to disk");
  tell({Kind::flush, partial_});
  if (direct_ >= 0 && ::close(std::exchange(direct_, -1)) != 0) return failed("cannot be closed");
  if (made_to_fail() || ::close(std::exchange(fd_, -1)) != 0) return failed("cannot be closed");
  if (made_to_fail()) return failed("cannot be named");
  // The file that is replaced stays beside until the new name is on disk.
  std::error_code ignored;
  const bool exchange =
      existing_ == Existing::replace && fs::is_regular_file(fs::symlink_status(final_, ignored)) &&
      ::renameat2(AT_FDCWD, partial_.c_str(), AT_FDCWD, final_.c_str(), RENAME_EXCHANGE) == 0;
  const unsigned flags = existing_ == Existing::refuse ? RENAME_NOREPLACE : 0;
  if (!exchange && ::renameat2(AT_FDCWD, partial_.c_str(), AT_FDCWD, final_.c_str(), flags) != 0 &&
      (errno != EINVAL || ::rename(partial_.c_str(), final_.c_str()) != 0))
    return failed("cannot be named");
  tell({exchange ? Kind::exchange : Kind::rename, partial_, final_});
  const auto flushed = flush_folder(folder_of(final_));
  if (!flushed && exchange &&
      ::renameat2(AT_FDCWD, partial_.c_str(), AT_FDCWD, final_.c_str(), RENAME_EXCHANGE) == 0) {
    tell({Kind::exchange, partial_, final_});
  } else if (!flushed) {
    if (::unlink(final_.c_str()) == 0) tell({Kind::remove, final_});
  }
  if (!exchange) partial_.clear();
  withdraw();
  if (!flushed) return fail(Fault::io, final_.string() + ": was dropped: " + flushed.error().text);
  return {};
}

Result<> write_file(const fs::path& path, std::string_view text) {
  auto file = NewFile::create(path, 0);
  if (!file) return fail(file.error());
  if (auto r = file->write(text.data(), text.size()); !r) return r;
  return file->publish();
}

Result<> make_private_folder(const fs::path& folder) {
  if (auto r = make_folder(folder); !r) return r;
  if (made_to_fail() || ::chmod(folder.c_str(), 0700) != 0)
    return fail(Fault::cannot_create,
                folder.string() + ": cannot be closed to others: " + reason_and_advice());
  return {};
}

Result<> write_private_file(const fs::path& path, std::string_view text) {
  if (auto r = make_private_folder(folder_of(path)); !r) return r;
  auto file = NewFile::create(path, 0);
  if (!file) return fail(file.error());
  if (made_to_fail() || ::fchmod(file->fd(), 0600) != 0)
    return fail(Fault::cannot_create,
                path.string() + ": cannot be closed to others: " + reason_and_advice());
  if (auto r = file->write(text.data(), text.size()); !r) return r;
  return file->publish();
}

namespace {

enum class From { cache, disk };  // disk: what is remembered of the file is forgotten first

/// Hands a file's bytes to `take` piece by piece until it returns false.
template <class Take>
Result<> each_piece(const fs::path& path, Take take, From from = From::cache) {
  const int fd = made_to_fail() ? -1 : ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
  if (fd < 0) return fail(Fault::no_input, path.string() + ": cannot be read: " + reason());
  if (from == From::disk) ::posix_fadvise(fd, 0, 0, POSIX_FADV_DONTNEED);
  ::posix_fadvise(fd, 0, 0, POSIX_FADV_SEQUENTIAL);
  constexpr std::size_t most = 1 << 20;
  const auto piece = std::make_unique_for_overwrite<char[]>(most);  // a small file touches little of it
  Result<> result;
  for (;;) {
    const ssize_t n = made_to_fail() ? -1 : ::read(fd, piece.get(), most);
    if (n < 0 && errno == EINTR) continue;
    if (n < 0)
      result = fail(errno == EISDIR ? Fault::no_input : Fault::io,
                    path.string() + ": cannot be read: " + reason());
    if (n <= 0 || !take(piece.get(), static_cast<std::size_t>(n))) break;
  }
  ::close(fd);
  return result;
}

}  // namespace

Result<std::string> read_file(const fs::path& path, std::uint64_t most) {
  std::string text;
  auto r = each_piece(path, [&](const char* data, std::size_t n) {
    text.append(data, n);
    return text.size() <= most;
  });
  if (!r) return fail(r.error());
  if (text.size() > most)
    return fail(Fault::bad_data, path.string() + ": is larger than the " + std::to_string(most) +
                                     " bytes that make sense here");
  return text;
}

Result<std::string> sha256_of(const fs::path& path) {
  Sha256 sum;
  auto r = each_piece(
      path,
      [&](const char* data, std::size_t n) {
        sum.add(data, n);
        return true;
      },
      From::disk);
  if (!r) return fail(r.error());
  return sum.hex();
}

Result<std::string> copy_file(const fs::path& from, const fs::path& to) {
  std::error_code error;
  const auto bytes = fs::file_size(from, error);
  if (error) return fail(Fault::no_input, from.string() + ": cannot be read: " + error.message());
  auto file = NewFile::create(to, bytes);
  if (!file) return fail(file.error());
  Sha256 sum;
  Result<> written;
  auto r = each_piece(from, [&](const char* data, std::size_t n) {
    sum.add(data, n);
    written = file->write(data, n);
    return written.has_value();
  });
  if (!r) return fail(r.error());
  if (!written) return fail(written.error());
  if (auto done = file->publish(); !done) return fail(done.error());
  return sum.hex();
}

Result<std::uint64_t> free_bytes(const fs::path& path) {
  fs::path existing = fs::absolute(path);
  std::error_code ignored;
  while (!fs::exists(existing, ignored) && existing.has_relative_path())
    existing = existing.parent_path();
  struct statvfs info {};
  if (made_to_fail() || ::statvfs(existing.c_str(), &info) != 0)
    return fail(Fault::io,
                existing.string() + ": its disk cannot be asked for free space: " + reason());
  return static_cast<std::uint64_t>(info.f_bavail) * info.f_frsize;
}

Result<int> sweep_partials(const fs::path& folder) {
  std::error_code error;
  int swept = 0;
  for (fs::directory_iterator it(folder, error), end; !error && it != end; it.increment(error)) {
    const std::string name = it->path().filename().string();
    if (name.size() > 6 && name.front() == '.' && name.ends_with(".part") &&
        it->is_regular_file(error)) {
      if (auto r = remove_file(it->path()); !r) return fail(r.error());
      ++swept;
    }
  }
  if (error && error != std::errc::no_such_file_or_directory)
    return fail(Fault::io, folder.string() + ": cannot be swept: " + error.message());
  return swept;
}

}  // namespace lapwright::core
