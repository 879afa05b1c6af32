"""Archives in: names and sizes checked, parts inflated in pieces against a budget.

What an archive states about its own sizes is not believed: a part is inflated by its compressed bytes
alone, and is refused as soon as it grows past the budget.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Iterator

from app.exchange.tables import Limits, Place, Refused

PIECE = 2**20
NOT_READ = "the file cannot be read; open it in a spreadsheet and save it again as XLSX."


def members(data: bytes, place: Place, limits: Limits) -> list[zipfile.ZipInfo]:
    """The parts of an archive, none with a name that could leave its folder."""
    try:
        found = zipfile.ZipFile(io.BytesIO(data)).infolist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError, struct.error, EOFError, OverflowError):
        raise Refused(place, NOT_READ) from None
    if len(found) > limits.members:
        raise Refused(place, f"the file has {len(found):,} parts, more than {limits.members:,}.")
    names = [member.filename for member in found]
    for name in names:
        if name.startswith(("/", "\\")) or ".." in name.split("/") or "\\" in name or ":" in name:
            raise Refused(place, f"a part is named {name[:60]!r}, outside its folder; it is not read.")
    if len(set(names)) != len(names):
        raise Refused(place, "two parts of the file have one name; save it again as XLSX.")
    if any(member.flag_bits & 1 for member in found):
        raise Refused(place, "the file is locked with a password; save it without.")
    return found


def inflated(
    data: bytes, member: zipfile.ZipInfo, place: Place, limits: Limits, budget: int
) -> Iterator[bytes]:
    """The part in pieces, as long as it stays within the budget, the ratio and its own stated size."""
    size = 0
    for piece in _pieces(data, member, place):
        size += len(piece)
        # A small part may shrink well without harm; the ratio matters where there is much to unpack.
        if size > budget or (size > 4 * PIECE and size > limits.unpack_ratio * max(member.compress_size, 1)):
            raise Refused(
                place,
                f"the part {member.filename} unpacks to more than {size / 2**20:.0f} MB from "
                f"{member.compress_size / 2**10:.0f} kB; it is not read.",
            )
        yield piece
    if size != member.file_size:
        raise Refused(place, f"the part {member.filename} is not as long as the file says; it is not read.")


def _pieces(data: bytes, member: zipfile.ZipInfo, place: Place) -> Iterator[bytes]:
    header = data[member.header_offset : member.header_offset + 30]
    if len(header) < 30 or not header.startswith(b"PK\x03\x04"):
        raise Refused(place, NOT_READ)
    start = member.header_offset + 30 + sum(struct.unpack("<HH", header[26:30]))
    packed = memoryview(data)[start : start + member.compress_size]
    if member.compress_type == zipfile.ZIP_STORED:
        for at in range(0, len(packed), PIECE):
            yield bytes(packed[at : at + PIECE])
        return
    if member.compress_type != zipfile.ZIP_DEFLATED:
        raise Refused(place, "the file is packed in a way that is not read; save it again as XLSX.")
    inflate = zlib.decompressobj(-15)
    try:
        for at in range(0, len(packed), PIECE):
            piece = inflate.decompress(packed[at : at + PIECE], PIECE)
            while piece:
                yield piece
                tail = inflate.unconsumed_tail
                piece = inflate.decompress(tail, PIECE) if tail else b""
        yield inflate.flush()
    except zlib.error:
        raise Refused(place, NOT_READ) from None
    if not inflate.eof:
        raise Refused(place, NOT_READ)
