// The one seam to the file system: files that are whole or absent, and their checksums.
//
// Invariant: nothing stands under its final name unless every byte of it was written, flushed to
//   disk (fsync), renamed, and its folder flushed. A partial file is called ".NAME.part" and may be
//   deleted at start.
// Units: bytes. Thread: any, one object in one thread. Errors, each with what to do about it:
//   cannot_create (folder, permission, no room), io (a write or flush failed; final, the file is
//   withdrawn), no_input.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <span>
#include <string>
#include <string_view>

#include "core/result.h"

namespace lapwright::core {

/// SHA-256 fed piece by piece.
class Sha256 {
 public:
  Sha256();
  ~Sha256();
  Sha256(Sha256&&) noexcept;
  Sha256& operator=(Sha256&&) noexcept;
  void add(const void* data, std::size_t bytes);
  /// 64 lower-case hex digits; the object is spent.
  std::string hex();

 private:
  struct State;
  std::unique_ptr<State> state_;
};

enum class Existing { refuse, replace };

/// A file under construction. Withdrawn (deleted) unless publish() succeeded.
class NewFile {
 public:
  /// Makes ".NAME.part" beside `final_path`, reserving `expected_bytes` (0: nothing reserved). The
  /// folder is made.
  static Result<NewFile> create(const std::filesystem::path& final_path,
                                std::uint64_t expected_bytes,
                                Existing existing = Existing::replace);
  NewFile(NewFile&&) noexcept;
  NewFile& operator=(NewFile&&) noexcept;
  ~NewFile();

  int fd() const { return fd_; }
  const std::filesystem::path& partial_path() const { return partial_; }
  const std::filesystem::path& final_path() const { return final_; }
  Result<> write(const void* data, std::size_t bytes);  // at the current offset
  Result<> write_at(std::uint64_t offset, const void* data, std::size_t bytes);  // anywhere
  /// From here on write_at() sends whole blocks (offset, address and size are multiples of `block`)
  /// past the system's page cache, where the file system can do that: for a file that is larger
  /// than what should be remembered. False: it cannot, everything goes through the cache.
  bool pass_by_cache();
  static constexpr std::size_t block = 4096;
  /// Sees to it that `bytes` in all have their place on the disk, where it can be asked for that.
  Result<> reserve(std::uint64_t bytes);
  /// Cuts the file to `bytes`.
  Result<> cut(std::uint64_t bytes);
  /// Flushes, renames, flushes the folder. When that fails nothing new stays under the final name;
  /// a file that was to be replaced is there as before, where the disk can exchange two names.
  Result<> publish();

 private:
  NewFile() = default;
  void withdraw();
  int fd_ = -1, direct_ = -1;
  Existing existing_ = Existing::replace;
  std::filesystem::path partial_, final_;
};

/// A new folder of its own in the system's temporary folder.
Result<std::filesystem::path> temporary_folder();
/// Makes a folder and its missing parents, each flushed into its own parent.
Result<> make_folder(const std::filesystem::path& folder);
Result<> flush_folder(const std::filesystem::path& folder);
/// A file that is not there is removed already.
Result<> remove_file(const std::filesystem::path& path);
/// Takes the place of a file called `to`. The folder is not flushed.
Result<> rename_file(const std::filesystem::path& from, const std::filesystem::path& to);
/// A second name for the same file; the same bytes under it where the disk has no second names.
Result<> link_file(const std::filesystem::path& from, const std::filesystem::path& to);
/// The bytes of a file under another name, whole or absent; SHA-256 of what was read.
Result<std::string> copy_file(const std::filesystem::path& from, const std::filesystem::path& to);
/// Writes a whole small file durably.
Result<> write_file(const std::filesystem::path& path, std::string_view text);
/// The same for its owner's eyes only (0600), in a folder that nobody else can enter (0700; made
/// where it is missing).
Result<> write_private_file(const std::filesystem::path& path, std::string_view text);
Result<> make_private_folder(const std::filesystem::path& folder);
/// Reads a whole text file; `most` bytes at most (larger is bad_data).
Result<std::string> read_file(const std::filesystem::path& path, std::uint64_t most = 16 << 20);
/// SHA-256 of a file as 64 hex digits, read in pieces.
Result<std::string> sha256_of(const std::filesystem::path& path);
/// Bytes free to this user on the file system that holds (or would hold) `path`.
Result<std::uint64_t> free_bytes(const std::filesystem::path& path);
/// Deletes leftovers named ".*.part" in `folder` (not below it). Returns how many.
Result<int> sweep_partials(const std::filesystem::path& folder);

/// What a person can do about a call that failed with `error_number`: "; free some space ...", or
/// nothing.
std::string advice(int error_number);

/// For tests: the n-th call from now (1 = next) of any system call made here that could fail, fails
/// with `error_number`. 0 switches it off. Returns through `calls_made()` how many calls were made
/// since.
void fail_nth_call(std::int64_t n, int error_number);
std::int64_t calls_made();

/// For tests: what the calls made here changed on the disk, each told when it has succeeded.
struct DiskCall {
  enum class Kind {
    make_folder,
    open,
    write,
    cut,
    flush,
    flush_folder,
    rename,
    exchange,
    link,
    remove
  };
  Kind kind;
  std::filesystem::path path, to = {};  // to: of rename, exchange and link
  std::uint64_t offset = 0;             // of write; of cut: the length
  std::string_view data = {};
};
/// An empty watcher ends it. Not while another thread makes calls.
void watch_calls(std::function<void(const DiskCall&)> watcher);

}  // namespace lapwright::core
