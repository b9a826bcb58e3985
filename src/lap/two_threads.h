// Independent pieces of work on two threads.
//
// Invariants: each piece is done once, in no certain order; pieces must not share what they write.
// Thread: blocks until all are done. Errors: none.
#pragma once

#include <atomic>
#include <cstddef>
#include <future>

namespace lapwright::lap {

template <class Piece>
void on_two_threads(std::size_t pieces, const Piece& piece) {
  std::atomic<std::size_t> next = 0;
  const auto some = [&] {
    for (std::size_t i = next++; i < pieces; i = next++) piece(i);
  };
  auto other = std::async(std::launch::async, some);
  some();
  other.get();
}

}  // namespace lapwright::lap
