#!/usr/bin/env bash
# The practice flatbed through the real libsane: listed, dishonest by default, true when asked, geometry against its own
# truth and against the film's perforation pitch, faults on demand. $1: the build folder.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
exec python3 "$here/flatbed_check.py" "$1" "$(cd "$here/../.." && pwd)"
