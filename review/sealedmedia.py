"""Answers with parts of an encrypted recording, decrypted as they are sent.

Byte ranges as of RFC 9110, section 14: one range is answered; several at once are answered with
the whole, which that section allows and no player asks for.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse

from review.sealed import SealedReader, SealError

PIECE: Final = 1 << 18
"""Plain bytes handed on at a time."""

_RANGE: Final = re.compile(r"bytes=(\d{0,18})-(\d{0,18})")


def asked_range(header: str | None, size: int) -> range | None:
    """The bytes that are asked for; empty for what cannot be; None for the whole.

    >>> asked_range("bytes=2-4", 10), asked_range("bytes=-3", 10), asked_range("bytes=10-", 10)
    (range(2, 5), range(7, 10), range(0, 0))
    """
    found = _RANGE.fullmatch(header.strip()) if header else None
    if found is None or not (found[1] or found[2]):
        return None
    if not found[1]:
        last = int(found[2])
        return range(max(size - last, 0), size) if last else range(0)
    start = int(found[1])
    end = min(int(found[2]), size - 1) if found[2] else size - 1
    if found[2] and int(found[2]) < start:
        return None  # not a range at all: as if nothing was asked
    return range(start, end + 1) if start < size else range(0)


def answer_sealed(
    request: Request, path: Path, media_type: str, headers: Mapping[str, str]
) -> Response:
    """Answer a request for a sealed file.

    Raises:
        SealError: if it is locked or was changed.
        OSError: if it cannot be read.
    """
    reader = SealedReader(path)
    asked = asked_range(request.headers.get("range"), reader.size)
    more = {**headers, "Accept-Ranges": "bytes"}
    if asked is not None and not asked:
        reader.close()
        more["Content-Range"] = f"bytes */{reader.size}"
        return PlainTextResponse("No such part", status_code=416, headers=more)
    part = range(reader.size) if asked is None else asked
    more["Content-Length"] = str(len(part))
    if asked is not None:
        more["Content-Range"] = f"bytes {part.start}-{part.stop - 1}/{reader.size}"
    status = 200 if asked is None else 206
    if request.method == "HEAD":
        reader.close()
        return Response(status_code=status, media_type=media_type, headers=more)
    return StreamingResponse(
        _pieces(reader, part), status_code=status, media_type=media_type, headers=more
    )


def _pieces(reader: SealedReader, part: range) -> Iterator[bytes]:
    """The part, piece by piece; a changed chunk ends the answer early, which a player notices."""
    with reader:
        reader.seek(part.start)
        left = len(part)
        while left:
            try:
                piece = reader.read(min(PIECE, left))
            except SealError:
                return
            left -= len(piece)
            yield piece
