#!/usr/bin/env bash
# Holds src/ against src/LAYERS.txt: a module includes only lower floors (or itself); third-party headers only where listed.
set -u
cd "$1/src" || exit 1
awk '
FNR == NR { if ($0 !~ /^#/ && NF >= 2) { floor[$2] = $1; allowed[$2] = ""; for (i = 3; i <= NF; i++) allowed[$2] = allowed[$2] " " $i } next }
/^[ \t]*#[ \t]*include/ {
  split(FILENAME, part, "/"); module = part[1]
  if (!(module in floor)) { print FILENAME ": module " module " is not in LAYERS.txt"; bad = 1; next }
  if (match($0, /"[^"]+"/)) {
    target = substr($0, RSTART + 1, RLENGTH - 2); split(target, t, "/")
    if (!(t[1] in floor)) { print FILENAME ":" FNR ": " target " is in no module"; bad = 1 }
    else if (t[1] != module && floor[t[1]] >= floor[module]) { print FILENAME ":" FNR ": " module " (floor " floor[module] ") includes " target " (floor " floor[t[1]] ")"; bad = 1 }
  } else if (match($0, /<[^>]+>/)) {
    target = substr($0, RSTART + 1, RLENGTH - 2)
    if (target ~ /^[a-z_0-9]+$/ || target ~ /^(sys|linux|arpa|netinet)\// || target ~ /^(unistd|fcntl|poll|signal|spawn|termios|dlfcn|errno|stdint|dirent|pthread|sched|immintrin|glob|ifaddrs)\.h$/) next
    if (target == "tl/expected.hpp" && FILENAME == "core/result.h") next
    if (target == "nlohmann/json.hpp" && FILENAME == "core/json.h") next
    ok = 0; n = split(allowed[module], a, " ")
    for (i = 1; i <= n; i++) if (index(target, a[i]) == 1) ok = 1
    if (!ok) { print FILENAME ":" FNR ": " module " may not include <" target ">"; bad = 1 }
    else if (FILENAME ~ /\.h$/) { print FILENAME ":" FNR ": <" target "> belongs in a .cc file"; bad = 1 }
  }
}
END { if (bad) exit 1; print "layers hold" }
' LAYERS.txt $(find . -mindepth 2 -name '*.h' -printf '%P ' -o -mindepth 2 -name '*.cc' -printf '%P ')
