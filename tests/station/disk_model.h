// What a disk may hold after a crash: a model fed with every change in order. What was flushed is
// there; of what was not, each write is kept, dropped, torn or garbled and each name kept or lost,
// as the dice fall.
//
// Invariants: a rename, an exchange and a removal each happen wholly or not at all; a folder's
// flush
//   makes its names durable, a file's flush its bytes only. Units: bytes. Thread: one. Errors:
//   none.
#pragma once

#include <filesystem>
#include <fstream>
#include <map>
#include <memory>
#include <random>
#include <string>
#include <vector>

#include "core/files.h"

namespace lapwright::station {

class DiskModel {
 public:
  explicit DiskModel(std::filesystem::path root) : root_(std::move(root)) {}

  void take(const core::DiskCall& c) {
    using Kind = core::DiskCall::Kind;
    const std::string path = c.path.string(), to = c.to.string();
    switch (c.kind) {
      case Kind::make_folder:
        folder(path);
        change({{path, std::make_shared<Node>(Node{.folder = true})}});
        break;
      case Kind::open:
        if (now_.count(path))
          now_[path]->pending.push_back({.cut = true});
        else
          change({{path, std::make_shared<Node>()}});
        break;
      case Kind::write:
        now_.at(path)->pending.push_back({c.offset, std::string(c.data), false});
        break;
      case Kind::cut:
        now_.at(path)->pending.push_back({c.offset, {}, true});
        break;
      case Kind::flush:
        for (const Change& p : now_.at(path)->pending) put(now_.at(path)->flushed, p);
        now_.at(path)->pending.clear();
        break;
      case Kind::flush_folder:
        for (const Names& n : folder(path).pending) keep(folder(path).flushed, n);
        folder(path).pending.clear();
        break;
      case Kind::rename:
        change({{path, nullptr}, {to, now_.at(path)}});
        break;
      case Kind::exchange:
        change({{path, now_.at(to)}, {to, now_.at(path)}});
        break;
      case Kind::link:
        change({{to, now_.at(path)}});
        break;
      case Kind::remove:
        change({{path, nullptr}});
        break;
    }
  }

  enum class Luck { all_kept, all_lost, dice };
  /// Makes `out` what the root could hold if the power went now.
  void crash(const std::filesystem::path& out, Luck luck, std::mt19937& dice) const {
    std::filesystem::remove_all(out);
    std::filesystem::create_directories(out);
    // A folder comes before what is in it.
    for (const auto& [path, f] : folders_) {
      if (path != root_ && !std::filesystem::exists(there(out, path))) continue;
      std::map<std::string, std::shared_ptr<Node>> names = f.flushed;
      for (const Names& n : f.pending)
        if (luck == Luck::all_kept || (luck == Luck::dice && dice() % 2)) keep(names, n);
      for (const auto& [name, node] : names) {
        const auto file = there(out, name);
        if (node->folder)
          std::filesystem::create_directory(file);
        else
          std::ofstream(file, std::ios::binary) << after(*node, luck, dice);
      }
    }
  }

 private:
  struct Change {
    std::uint64_t at = 0;
    std::string bytes = {};
    bool cut = false;
  };
  struct Node {
    bool folder = false;
    std::string flushed = {};
    std::vector<Change> pending = {};
  };
  using Names = std::vector<std::pair<std::string, std::shared_ptr<Node>>>;  // null: no such name
  struct Folder {
    std::map<std::string, std::shared_ptr<Node>> flushed;
    std::vector<Names> pending;
  };

  std::filesystem::path there(const std::filesystem::path& out, const std::string& path) const {
    return out / path.substr(root_.string().size() + 1);
  }
  static void put(std::string& to, const Change& c) {
    if (c.cut) return to.resize(c.at);
    if (to.size() < c.at + c.bytes.size()) to.resize(c.at + c.bytes.size());
    to.replace(c.at, c.bytes.size(), c.bytes);
  }
  static void keep(std::map<std::string, std::shared_ptr<Node>>& names, const Names& n) {
    for (const auto& [name, node] : n) {
      if (node)
        names[name] = node;
      else
        names.erase(name);
    }
  }
  static std::string after(const Node& node, Luck luck, std::mt19937& dice) {
    std::string bytes = node.flushed;
    for (Change c : node.pending) {
      if (luck == Luck::all_lost) continue;
      switch (luck == Luck::all_kept ? 0 : dice() % 4) {
        case 0:
          put(bytes, c);
          break;
        case 1:
          break;
        case 2:  // torn between sectors
          if (!c.cut) c.bytes.resize(std::min<std::size_t>(c.bytes.size(), dice() % 9 * 512));
          put(bytes, c);
          break;
        default:
          for (char& b : c.bytes) b = static_cast<char>(dice());
          put(bytes, c);
      }
    }
    return bytes;
  }
  Folder& folder(const std::string& path) { return folders_[path]; }
  void change(const Names& n) {
    keep(now_, n);
    folder(std::filesystem::path(n.front().first).parent_path().string()).pending.push_back(n);
  }

  std::filesystem::path root_;
  std::map<std::string, std::shared_ptr<Node>> now_;
  std::map<std::string, Folder> folders_;  // by path
};

}  // namespace lapwright::station
