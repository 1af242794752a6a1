"""SVG pictures as PNG files, for programs that take no SVG.

Drawn by resvg with one font from one place and no other of the machine's, so the bytes are the same
every time.  What the picture says in words stands in the file, as its description.

Source: W3C, Portable Network Graphics, third edition, 5.3 (chunks) and 11.3.3.4 (iTXt).
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import resvg_py

FONTS = Path("/usr/share/fonts/truetype/dejavu")
FONT_FILES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
FAMILY = "DejaVu Sans"
ZOOM = 2
"""Pixels for one of the picture's own units: sharp on paper and on fine screens."""

SIGNATURE = 8
HEADER_CHUNK = 4 + 4 + 13 + 4
"""Length, type, content and check of IHDR, which stands first."""


class NoFont(Exception):
    """The font that pictures are drawn with is not on this machine."""


def png_of(svg: bytes, words: str) -> bytes:
    """The picture as PNG; ``words`` are its description. Raises NoFont."""
    files = [FONTS / name for name in FONT_FILES]
    missing = [str(file) for file in files if not file.is_file()]
    if missing:
        raise NoFont(missing[0])
    drawn = resvg_py.svg_to_bytes(
        svg_string=svg.decode(),
        zoom=ZOOM,
        skip_system_fonts=True,
        font_files=[str(file) for file in files],
        font_family=FAMILY,
        sans_serif_family=FAMILY,
        background="#ffffff",
    )
    return described(bytes(drawn), words)


def described(png: bytes, words: str) -> bytes:
    """A PNG with a description behind its header."""
    at = SIGNATURE + HEADER_CHUNK
    content = b"Description\0" + bytes(2) + b"en\0\0" + words.encode()
    body = b"iTXt" + content
    chunk = struct.pack(">I", len(content)) + body + struct.pack(">I", zlib.crc32(body))
    return png[:at] + chunk + png[at:]
