// The JSON value that plans, events, frames.json and --json output are made of. Members keep their
// order.
//
// The one third-party type that is part of the vocabulary, as tl::expected is.
// Thread: values. Errors: parse_json names source, line and column.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

#include "core/result.h"

namespace lapwright::core {

using Json = nlohmann::ordered_json;

/// Parses one document, nested at most 64 deep (copies recurse); `source` is the name put
/// in front of a complaint. Fault: bad_data.
Result<Json> parse_json(std::string_view text, const std::string& source);

}  // namespace lapwright::core

namespace lapwright {
using core::Json;
}
