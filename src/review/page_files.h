// The page's own files, compiled into the binary.
//
// Invariants: the list is fixed when the program is built. Units: bytes. Thread: any. Errors: none.
#pragma once

#include <span>
#include <string_view>

namespace lapwright::review {

struct PageFile {
  std::string_view name, type, bytes;
};
std::span<const PageFile> page_files();
const PageFile* page_file(std::string_view name);  // null: there is none
/// Whether the sheet viewer and the ink library could be had when the program was built.
bool page_is_whole();

}  // namespace lapwright::review
