// What comes from a browser and what goes back, without any socket.
//
// Invariants: a Request's header names are lower case; a Reply's body is whole, or it has a flow in
//   its place. Units: bytes.
// Thread: values. Errors: none.
#pragma once

#include <map>
#include <memory>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "core/json.h"

namespace lapwright::review {

class Flow;

struct Request {
  std::string method, target;  // target as it was sent
  std::map<std::string, std::string> headers;
  std::string body;
  std::string address = {};     // of the other side
  bool from_elsewhere = false;  // by the port for other machines

  /// Empty when it was not sent.
  std::string_view header(std::string_view name) const {
    const auto it = headers.find(std::string(name));
    return it == headers.end() ? std::string_view() : std::string_view(it->second);
  }
};

struct Reply {
  int status = 200;
  std::vector<std::pair<std::string, std::string>> headers;
  std::string body;
  std::shared_ptr<Flow> flow;  // flow.h

  void set(std::string name, std::string value) {
    headers.emplace_back(std::move(name), std::move(value));
  }
  std::string_view header(std::string_view name) const {
    for (const auto& [n, v] : headers)
      if (n == name) return v;
    return {};
  }
};

Reply json_reply(const Json& json, int status = 200, std::string_view type = "application/json");
/// A refusal: {"say": one sentence}.
Reply refusal(int status, const std::string& say);

}  // namespace lapwright::review
