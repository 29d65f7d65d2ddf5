"""The mark of a result: six characters that all of its files carry, so that files of two results are told apart."""

from __future__ import annotations

import hashlib
import re
import struct
import zlib
from collections.abc import Mapping
from pathlib import PurePath

LENGTH = 6
# The first in a file counts; after it come the quotation marks of JSON, or the byte that ends a keyword in a PNG.
_MARK = re.compile(rb"[Rr]esult[ _]mark\W{1,4}([0-9a-f]{6})")
_PNG_HEAD = 33  # bytes: signature and header chunk


def mark_of(*parts: bytes) -> str:
    """The mark of a result that these parts determine: version, inputs, document."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(len(part).to_bytes(8, "big") + part)
    return digest.hexdigest()[:LENGTH]


def mark_in(content: bytes) -> str:
    """The mark that a file carries, "" when it carries none."""
    found = _MARK.search(content)
    return found[1].decode() if found else ""


def marked(files: Mapping[str, bytes], mark: str) -> dict[str, bytes]:
    """Files with a mark in each: as a key, a line, a line of comment or what a picture holds beside what it shows.

    A CSV stays as it is, since not every reader of one knows comments; the list of written files has its mark.
    """
    return {
        name: _marked(PurePath(name).suffix, content, f"Result mark {mark}")
        for name, content in files.items()
    }


def _marked(kind: str, content: bytes, text: str) -> bytes:
    line = text.encode()
    if kind == ".json":
        return b'{\n "result_mark": "%b",%b' % (line[-LENGTH:], content.removeprefix(b"{"))
    if kind == ".txt":
        return line + b"\n" + content
    if kind == ".toml":
        return content + b"# " + line + b"\n"
    if kind == ".html":
        shown = b'<footer><p class="quiet">%b</p></footer>\n</main>' % line
        return content.replace(b"<head>", b"<head>\n<!-- %b -->" % line, 1).replace(b"</main>", shown, 1)
    if kind == ".svg":
        return re.sub(
            rb"(<svg\b[^>]*>)", lambda found: found[1] + b"<metadata>%b</metadata>" % line, content, count=1
        )
    if kind == ".png":
        data = b"tEXt" + b"Result mark\0" + line[-LENGTH:]
        chunk = struct.pack(">I", len(data) - 4) + data + struct.pack(">I", zlib.crc32(data))
        return content[:_PNG_HEAD] + chunk + content[_PNG_HEAD:]
    if kind == ".xlsx":  # a zip archive's comment, whose length is its last two bytes
        return content[:-2] + struct.pack("<H", len(line)) + line
    return content
