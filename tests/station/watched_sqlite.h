// SQLite's files seen from outside: a VFS in front of the system's that tells every change as
// core/files tells its own, and makes the n-th call fail.
//
// Invariants: one at a time, the default VFS while it lives. Units: bytes. Thread: one. Errors:
// those asked for, as SQLite's codes.
#pragma once

#include <sqlite3.h>

#include <functional>
#include <new>
#include <string>

#include "core/files.h"

namespace lapwright::station {

class WatchedSqlite {
 public:
  using Told = std::function<void(const core::DiskCall&)>;
  WatchedSqlite() {
    real_ = sqlite3_vfs_find(nullptr);
    vfs_ = *real_;
    vfs_.zName = "watched";
    vfs_.szOsFile = static_cast<int>(sizeof(File)) + real_->szOsFile;
    vfs_.xOpen = open;
    vfs_.xDelete = remove;
    current_ = this;
    sqlite3_vfs_register(&vfs_, 1);
  }
  ~WatchedSqlite() {
    sqlite3_vfs_unregister(&vfs_);
    sqlite3_vfs_register(real_, 1);
    current_ = nullptr;
  }
  WatchedSqlite(const WatchedSqlite&) = delete;
  WatchedSqlite& operator=(const WatchedSqlite&) = delete;

  void watch(Told told) { told_ = std::move(told); }
  /// The n-th read, write, truncation, sync, opening or deletion from now fails; 0: none.
  void fail_nth(long n) { fails_at_ = n, calls_ = 0; }
  long calls() const { return calls_; }

 private:
  using Kind = core::DiskCall::Kind;
  struct File {
    sqlite3_file base;
    std::string* path;
    bool named = false;  // its folder was flushed with it, as SQLite does for journals
    sqlite3_file* real() { return reinterpret_cast<sqlite3_file*>(this + 1); }
  };
  static File* of(sqlite3_file* f) { return reinterpret_cast<File*>(f); }
  static bool fires() { return ++current_->calls_ == current_->fails_at_; }
  static void tell(const core::DiskCall& call) {
    if (current_->told_ && !call.path.empty()) current_->told_(call);
  }

  static int open(sqlite3_vfs*, const char* name, sqlite3_file* out, int flags, int* got) {
    File* f = new (out) File{};
    if (fires()) return SQLITE_CANTOPEN;
    int there = 0;
    if (name) current_->real_->xAccess(current_->real_, name, SQLITE_ACCESS_EXISTS, &there);
    const int code = current_->real_->xOpen(current_->real_, name, f->real(), flags, got);
    if (f->real()->pMethods == nullptr) return code;
    f->path = new std::string(name ? name : "");
    f->named = (flags & SQLITE_OPEN_WAL) == 0;
    static const sqlite3_io_methods methods = {
        3,         close,    read,    write,  truncate,        sync,    size,     lock,
        unlock,    reserved, control, sector, characteristics, shm_map, shm_lock, shm_barrier,
        shm_unmap, fetch,    unfetch};
    f->base.pMethods = &methods;
    if (code == SQLITE_OK && name && !there) tell({Kind::open, name});
    return code;
  }
  static int remove(sqlite3_vfs*, const char* name, int flush) {
    if (fires()) return SQLITE_IOERR_DELETE;
    const int code = current_->real_->xDelete(current_->real_, name, flush);
    if (code == SQLITE_OK) tell({Kind::remove, name});
    if (code == SQLITE_OK && flush)
      tell({Kind::flush_folder, std::filesystem::path(name).parent_path()});
    return code;
  }
  static int close(sqlite3_file* f) {
    const int code = of(f)->real()->pMethods->xClose(of(f)->real());
    delete of(f)->path;
    return code;
  }
  static int read(sqlite3_file* f, void* to, int n, sqlite3_int64 at) {
    if (fires()) return SQLITE_IOERR_READ;
    return of(f)->real()->pMethods->xRead(of(f)->real(), to, n, at);
  }
  static int write(sqlite3_file* f, const void* from, int n, sqlite3_int64 at) {
    if (fires()) return current_->calls_ % 2 == 0 ? SQLITE_FULL : SQLITE_IOERR_WRITE;
    const int code = of(f)->real()->pMethods->xWrite(of(f)->real(), from, n, at);
    if (code == SQLITE_OK)
      tell({Kind::write,
            *of(f)->path,
            {},
            static_cast<std::uint64_t>(at),
            {static_cast<const char*>(from), static_cast<std::size_t>(n)}});
    return code;
  }
  static int truncate(sqlite3_file* f, sqlite3_int64 n) {
    if (fires()) return SQLITE_IOERR_TRUNCATE;
    const int code = of(f)->real()->pMethods->xTruncate(of(f)->real(), n);
    if (code == SQLITE_OK) tell({Kind::cut, *of(f)->path, {}, static_cast<std::uint64_t>(n)});
    return code;
  }
  static int sync(sqlite3_file* f, int flags) {
    if (fires()) return SQLITE_IOERR_FSYNC;
    const int code = of(f)->real()->pMethods->xSync(of(f)->real(), flags);
    if (code == SQLITE_OK) tell({Kind::flush, *of(f)->path});
    if (code == SQLITE_OK && !of(f)->named) {
      of(f)->named = true;
      tell({Kind::flush_folder, std::filesystem::path(*of(f)->path).parent_path()});
    }
    return code;
  }
  static int size(sqlite3_file* f, sqlite3_int64* n) {
    return of(f)->real()->pMethods->xFileSize(of(f)->real(), n);
  }
  static int lock(sqlite3_file* f, int level) {
    return of(f)->real()->pMethods->xLock(of(f)->real(), level);
  }
  static int unlock(sqlite3_file* f, int level) {
    return of(f)->real()->pMethods->xUnlock(of(f)->real(), level);
  }
  static int reserved(sqlite3_file* f, int* yes) {
    return of(f)->real()->pMethods->xCheckReservedLock(of(f)->real(), yes);
  }
  static int control(sqlite3_file* f, int what, void* with) {
    return of(f)->real()->pMethods->xFileControl(of(f)->real(), what, with);
  }
  static int sector(sqlite3_file* f) { return of(f)->real()->pMethods->xSectorSize(of(f)->real()); }
  static int characteristics(sqlite3_file* f) {
    return of(f)->real()->pMethods->xDeviceCharacteristics(of(f)->real());
  }
  static int shm_map(sqlite3_file* f, int region, int bytes, int extend, void volatile** out) {
    return of(f)->real()->pMethods->xShmMap(of(f)->real(), region, bytes, extend, out);
  }
  static int shm_lock(sqlite3_file* f, int offset, int n, int flags) {
    return of(f)->real()->pMethods->xShmLock(of(f)->real(), offset, n, flags);
  }
  static void shm_barrier(sqlite3_file* f) { of(f)->real()->pMethods->xShmBarrier(of(f)->real()); }
  static int shm_unmap(sqlite3_file* f, int gone) {
    return of(f)->real()->pMethods->xShmUnmap(of(f)->real(), gone);
  }
  static int fetch(sqlite3_file*, sqlite3_int64, int, void** out) {
    *out = nullptr;  // everything goes through read and write
    return SQLITE_OK;
  }
  static int unfetch(sqlite3_file*, sqlite3_int64, void*) { return SQLITE_OK; }

  static inline WatchedSqlite* current_ = nullptr;
  sqlite3_vfs* real_ = nullptr;
  sqlite3_vfs vfs_{};
  Told told_;
  long calls_ = 0, fails_at_ = 0;
};

}  // namespace lapwright::station
