"""What is inside a packed file: a zip or gzip that holds one table.

Promises: never unpacks more than the limit into memory, whatever the archive says of its own size; an
archive in an archive, more than one file, or a locked one is refused with its code; names are not used.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from typing import IO

from custody.core.refusal import Refused

MOST_BYTES = 100_000_000  # of a table, unpacked
MOST_RATIO = 250  # tables of temperatures pack 5 to 50 times
RATIO_FROM = 1_000_000  # below this, a high ratio is no danger
MOST_MEMBERS = 1_000  # of a spreadsheet, which is a zip too
ZIP, GZIP = b"PK\x03\x04", b"\x1f\x8b"
OLD_SPREADSHEET = b"\xd0\xcf\x11\xe0"  # the compound file of .xls and of encrypted .xlsx
SHEETS = "[Content_Types].xml"  # ECMA-376 part 2: every package has this part


def is_spreadsheet(content: bytes) -> bool:
    """Whether this is an XLSX package and not just a zip."""
    return content.startswith(ZIP) and SHEETS in _zip(content).namelist()


def unpacked(content: bytes, most: int = MOST_BYTES) -> bytes:
    """The table inside, or the content itself when it is not packed.

    Refused: file_too_large, zip_many, zip_too_large, zip_nested, file_kind.
    """
    if len(content) > most:
        raise Refused("file_too_large", f"A file may have {most // 1_000_000} MB. Export a shorter time.")
    if content.startswith(OLD_SPREADSHEET):
        raise Refused("file_kind", "This is an old or locked spreadsheet. Save it as .xlsx without password.")
    if content.startswith(GZIP):
        return _single(_gunzip(content, most))
    if content.startswith(ZIP):
        if is_spreadsheet(content):
            _check_spreadsheet(content, most)
            return content
        return _single(_unzip(content, most))
    return content


def _single(inside: bytes) -> bytes:
    if inside.startswith(ZIP) and is_spreadsheet(inside):
        _check_spreadsheet(inside, MOST_BYTES)
        return inside
    if inside.startswith((ZIP, GZIP)):
        raise Refused("zip_nested", "This archive holds another archive. Send the table itself.")
    return inside


def _zip(content: bytes) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(io.BytesIO(content))
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OSError) as why:
        raise Refused("file_kind", "This archive is damaged. Send it again, or the table itself.") from why


def _unzip(content: bytes, most: int) -> bytes:
    with _zip(content) as packed:
        files = [one for one in packed.infolist() if not one.is_dir()]
        if len(files) != 1:
            raise Refused("zip_many", f"This archive holds {len(files)} files; it must hold one table.")
        one = files[0]
        if one.flag_bits & 1:
            raise Refused("file_kind", "This archive has a password. Send it without one.")
        _bounded(one.file_size, one.compress_size, most)
        try:
            with packed.open(one) as stream:
                return _at_most(stream, most)
        except (zipfile.BadZipFile, NotImplementedError, EOFError, zlib.error, OSError) as why:
            raise Refused("file_kind", "This archive is damaged. Send it again.") from why


def _at_most(stream: IO[bytes], most: int) -> bytes:
    inside = stream.read(most + 1)
    if len(inside) > most:
        raise _too_large(most)
    return inside


def _too_large(most: int) -> Refused:
    said = f"Unpacked, this file has more than {most // 1_000_000} MB or is packed unusually hard."
    return Refused("zip_too_large", f"{said} Send the table itself, or a shorter time.")


def _bounded(size: int, packed: int, most: int) -> None:
    if size > most or (size > RATIO_FROM and size > MOST_RATIO * max(1, packed)):
        raise _too_large(most)


def _gunzip(content: bytes, most: int) -> bytes:
    """All members of a gzip file (RFC 1952), never more than `most` bytes of them."""
    parts, size, rest = [], 0, content
    try:
        while rest.startswith(GZIP):
            stream = zlib.decompressobj(wbits=31)
            part = stream.decompress(rest, most + 1 - size)
            parts.append(part)
            size += len(part)
            _bounded(size, len(content), most)
            if not stream.eof:
                raise zlib.error("ends too early")
            rest = stream.unused_data
    except zlib.error as why:
        raise Refused("file_kind", f"This gzip file is damaged: {why}.") from why
    return b"".join(parts)


def _check_spreadsheet(content: bytes, most: int) -> None:
    with _zip(content) as packed:
        parts = packed.infolist()
    if len(parts) > MOST_MEMBERS:
        raise Refused("zip_many", f"This spreadsheet has {len(parts)} parts, which no logger writes.")
    _bounded(sum(one.file_size for one in parts), sum(one.compress_size for one in parts), most)
