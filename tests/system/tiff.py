"""Reads uncompressed TIFF pictures with nothing but the standard library: another reader than the one under test."""
import array
import pathlib
import struct
import sys


def tags_of(data, path):
    assert data[:4] == b"II*\0", f"{path}: not a little-endian TIFF"
    at, = struct.unpack_from("<I", data, 4)
    count, = struct.unpack_from("<H", data, at)
    tags = {}
    for i in range(count):
        tag, kind, n = struct.unpack_from("<HHI", data, at + 2 + 12 * i)
        size = {3: 2, 4: 4}.get(kind)
        if size:
            where = at + 10 + 12 * i
            if n * size > 4:
                where, = struct.unpack_from("<I", data, where)
            tags[tag] = struct.unpack_from("<%d%s" % (n, "H" if size == 2 else "I"), data, where)
    return tags


def mirrored(path, to):
    """The same file with its rows from the last to the first."""
    data = bytearray(pathlib.Path(path).read_bytes())
    tags = tags_of(data, path)
    row = tags[256][0] * 6
    places = [start + k for start, n in zip(tags[273], tags[279]) for k in range(0, n, row)]
    rows = [bytes(data[at:at + row]) for at in places]
    for at, samples in zip(places, reversed(rows)):
        data[at:at + row] = samples
    pathlib.Path(to).write_bytes(data)


class Picture:
    """width, height, bits, samples (RGB, row by row)."""

    def __init__(self, path):
        data = pathlib.Path(path).read_bytes()
        tags = tags_of(data, path)
        self.width, self.height, self.bits, self.per_pixel = tags[256][0], tags[257][0], tags[258][0], tags[277][0]
        assert tags.get(259, (1,))[0] == 1 and tags.get(284, (1,))[0] == 1, f"{path}: compressed, or not contiguous"
        raw = b"".join(data[offset:offset + n] for offset, n in zip(tags[273], tags[279]))
        self.samples = array.array("H" if self.bits == 16 else "B", raw)
        if sys.byteorder == "big" and self.bits == 16:
            self.samples.byteswap()
        assert len(self.samples) == self.width * self.height * self.per_pixel, path

    def __eq__(self, other):
        return (self.width, self.height, self.bits) == (other.width, other.height, other.bits) and self.samples == other.samples
