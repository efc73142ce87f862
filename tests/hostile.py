"""Recordings that no camera made: damaged and hostile files, from a seed.

The mutations follow the structure of the file where that reaches further than chance: MP4 boxes
(ISO/IEC 14496-12) lie about their size, nest, swap places, vanish; counts and dimensions are
absurd. The same seed always gives the same files.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Iterator
from pathlib import Path

import av
import numpy as np

from tests import media

Rng = np.random.Generator

CONTAINERS = frozenset({b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts", b"dinf", b"udta"})
"""Boxes that hold boxes."""


def boxes(
    data: bytes, start: int = 0, end: int | None = None, deep: int = 9
) -> Iterator[tuple[int, int, bytes]]:
    """(start, end, name) of every box, outer ones first; a box that makes no sense ends it."""
    end = len(data) if end is None else end
    while start + 8 <= end:
        size, name = struct.unpack(">I4s", data[start : start + 8])
        head = 8
        if size == 1 and start + 16 <= end:
            size, head = struct.unpack(">Q", data[start + 8 : start + 16])[0], 16
        elif size == 0:
            size = end - start
        if size < head or start + size > end:
            return
        yield start, start + size, name
        if name in CONTAINERS and deep:
            yield from boxes(data, start + head, start + size, deep - 1)
        start += size


def sound_ones(folder: Path) -> list[Path]:
    """Small recordings in order, of every kind of container that is read."""
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for suffix in ("mp4", "mov", "mkv", "ts", "flv"):
        path = folder / f"sound.{suffix}"
        with_voice = suffix in ("mp4", "mov", "mkv")
        made.append(media.write_video(path, media.steady(20, 25.0), (96, 64), sound=with_voice))
    for suffix, codec in (("avi", "mpeg4"), ("mpg", "mpeg2video"), ("webm", "libvpx")):
        made.append(_older(folder / f"sound.{suffix}", codec))
    return made


def _older(path: Path, codec: str) -> Path:
    """A recording in a format whose clock is its frame rate."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=25)
        stream.width, stream.height, stream.pix_fmt = 96, 64, "yuv420p"
        for number in range(20):
            frame = av.VideoFrame.from_ndarray(media.card(number, 96, 64), format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


# --- mutations -------------------------------------------------------------------------------


def flip_bits(data: bytearray, rng: Rng) -> bytearray:
    """A few bits anywhere, more of them near the start, where headers are."""
    for _ in range(int(rng.integers(1, 40))):
        at = int(len(data) * rng.random() ** int(rng.integers(1, 4)))
        data[min(at, len(data) - 1)] ^= 1 << int(rng.integers(8))
    return data


def damage_pictures(data: bytearray, rng: Rng) -> bytearray:
    """Bits within the compressed pictures alone: the container is sound."""
    at = next((box for box in boxes(bytes(data)) if box[2] == b"mdat"), None)
    if at is None:
        return flip_bits(data, rng)
    for _ in range(int(rng.integers(1, 60))):
        data[int(rng.integers(at[0] + 8, at[1]))] ^= 1 << int(rng.integers(8))
    return data


def truncate(data: bytearray, rng: Rng) -> bytearray:
    return data[: int(rng.integers(1, len(data)))]


def noise(data: bytearray, rng: Rng) -> bytearray:
    """A stretch of noise written over or pushed in."""
    at, long = int(rng.integers(len(data))), int(rng.integers(1, 2000))
    stretch = rng.integers(0, 256, long, dtype=np.uint8).tobytes()
    data[at : at + (long if rng.random() < 0.5 else 0)] = stretch
    return data


def zeros(data: bytearray, rng: Rng) -> bytearray:
    at, long = int(rng.integers(len(data))), int(rng.integers(1, 4000))
    data[at : at + long] = bytes(min(long, len(data) - at))
    return data


def _some_box(data: bytearray, rng: Rng, *names: bytes) -> tuple[int, int, bytes] | None:
    found = [box for box in boxes(bytes(data)) if not names or box[2] in names]
    return found[int(rng.integers(len(found)))] if found else None


def lie_about_size(data: bytearray, rng: Rng) -> bytearray:
    """A box of size 0, 1, 7, a little or far more than there is, or with a 64-bit size."""
    box = _some_box(data, rng)
    if box is None:
        return flip_bits(data, rng)
    start, end, _ = box
    lies = (0, 1, 7, 8, end - start - 1, end - start + 1, 0x7FFFFFFF, 0xFFFFFFFF)
    data[start : start + 4] = struct.pack(">I", lies[int(rng.integers(len(lies)))])
    if rng.random() < 0.2:
        data[start : start + 4] = struct.pack(">I", 1)
        data[start + 8 : start + 8] = struct.pack(">Q", int(rng.integers(1 << 62)))
    return data


def huge_dimensions(data: bytearray, rng: Rng) -> bytearray:
    """Width and height of the sample entry and the track header as large as they can be told."""
    sides = [0, 1, 0x7FFF, 0xFFFF, 16384]
    for name in (b"avc1", b"mp4v", b"hvc1"):
        at = bytes(data).find(name)
        if at >= 0:
            wide, high = (sides[int(rng.integers(len(sides)))] for _ in range(2))
            data[at + 28 : at + 32] = struct.pack(">HH", wide, high)
    at = bytes(data).find(b"avcC")
    if at >= 0 and rng.random() < 0.7:  # the picture size of H.264 itself stands in here
        place = at + 4 + int(rng.integers(4, 30))
        data[place] = int(rng.integers(256))
    return data if bytes(data).find(b"avc1") >= 0 else flip_bits(data, rng)


def absurd_counts(data: bytearray, rng: Rng) -> bytearray:
    """Tables that claim four thousand million entries, and clocks that stand still."""
    box = _some_box(
        data, rng, b"stts", b"stsz", b"stsc", b"stco", b"ctts", b"stss", b"mvhd", b"mdhd", b"elst",
        b"tkhd", b"stsd", b"dref",
    )  # fmt: skip
    if box is None:
        return flip_bits(data, rng)
    start, end, _ = box
    for _ in range(int(rng.integers(1, 4))):
        at = start + 8 + 4 * int(rng.integers(0, max((end - start - 8) // 4, 1)))
        values = (0, 1, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, int(rng.integers(1 << 32)))
        data[at : at + 4] = struct.pack(">I", values[int(rng.integers(len(values)))])
    return data


def swap_boxes(data: bytearray, rng: Rng) -> bytearray:
    """Two boxes exchange places, contents and all."""
    one, other = _some_box(data, rng), _some_box(data, rng)
    if one is None or other is None:
        return noise(data, rng)
    (a, b, _), (c, d, _) = sorted((one, other))
    if b > c:  # one inside the other, or the same
        return lie_about_size(data, rng)
    return data[:a] + data[c:d] + data[b:c] + data[a:b] + data[d:]


def nest_boxes(data: bytearray, rng: Rng) -> bytearray:
    """A box inside itself, hundreds of times."""
    name = (b"moov", b"trak", b"udta", b"meta", b"dinf", b"free")[int(rng.integers(6))]
    inner, deep = b"", int(rng.integers(50, 4000))
    for _ in range(deep):
        inner = struct.pack(">I4s", len(inner) + 8, name) + inner
    at = next((end for _, end, kind in boxes(bytes(data)) if kind == b"ftyp"), 0)
    data[at:at] = inner
    return data


def empty_boxes(data: bytearray, rng: Rng) -> bytearray:
    """Thousands of boxes without content, or of no length at all."""
    size = (0, 8, 8, 1)[int(rng.integers(4))]
    at = next((end for _, end, kind in boxes(bytes(data)) if kind == b"ftyp"), 0)
    data[at:at] = struct.pack(">I4s", size, b"free") * int(rng.integers(1, 50_000))
    return data


def rename_box(data: bytearray, rng: Rng) -> bytearray:
    """A box under another's name."""
    box, other = _some_box(data, rng), _some_box(data, rng)
    if box is None or other is None:
        return zeros(data, rng)
    data[box[0] + 4 : box[0] + 8] = other[2]
    return data


def double(data: bytearray, rng: Rng) -> bytearray:
    """A piece of the file twice."""
    start = int(rng.integers(len(data)))
    end = start + int(rng.integers(1, max(len(data) - start, 2)))
    return data[:end] + data[start:]


MUTATIONS: tuple[Callable[[bytearray, Rng], bytearray], ...] = (
    flip_bits, damage_pictures, truncate, noise, zeros, lie_about_size, huge_dimensions,
    absurd_counts, swap_boxes, nest_boxes, empty_boxes, rename_box, double,
)  # fmt: skip


def mutated(folder: Path, count: int, seed: int) -> list[Path]:
    """``count`` files, each from a sound one by one to three mutations."""
    sound = sound_ones(folder / "sound")
    made = []
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        # Half of them MP4, which phones make and whose structure the mutations know.
        source = sound[0] if rng.random() < 0.5 else sound[int(rng.integers(len(sound)))]
        data = bytearray(source.read_bytes())
        first = MUTATIONS[number % len(MUTATIONS)]
        data = first(data, rng)
        for _ in range(int(rng.choice([0, 1, 2], p=[0.7, 0.2, 0.1]))):
            if data:
                data = MUTATIONS[int(rng.integers(len(MUTATIONS)))](data, rng)
        path = folder / f"{number:04d}-{first.__name__}{source.suffix}"
        path.write_bytes(bytes(data) or b"\0")
        made.append(path)
    return made


# --- files that would have others opened -----------------------------------------------------


def pointing_elsewhere(folder: Path, secret: Path, address: str) -> list[Path]:
    """Playlists and the like, named as videos, that point to ``secret`` and to ``address``."""
    folder.mkdir(parents=True, exist_ok=True)
    lists = {
        "hls-file.mp4": f"#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:1,\nfile://{secret}\n",
        "hls-name.ts": f"#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:1,\n{secret}\n#EXT-X-ENDLIST\n",
        "hls-address.mp4": f"#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:1,\n{address}/a.ts\n",
        "hls-key.m3u8": f'#EXTM3U\n#EXT-X-KEY:METHOD=AES-128,URI="{address}/k"\n#EXTINF:1,\na.ts\n',
        "concat.mp4": f"ffconcat version 1.0\nfile '{secret}'\n",
        "concat-name.mkv": f"ffconcat version 1.0\nfile {secret.name}\nfile {address}/b.mp4\n",
        "dash.mp4": '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011"><Period>'
        f"<AdaptationSet><Representation><BaseURL>{address}/c.mp4</BaseURL></Representation>"
        "</AdaptationSet></Period></MPD>",
        "session.sdp": "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\n"
        "m=video 5004 RTP/AVP 96\na=rtpmap:96 H264/90000\n",
        "subtitle.mp4": "1\n00:00:00,000 --> 00:00:09,000\nwords\n",
        "smil.mp4": f'<smil><body><video src="{address}/d.mp4"/></body></smil>',
        "drawing.mp4": '<svg xmlns="http://www.w3.org/2000/svg" '
        f'xmlns:xlink="http://www.w3.org/1999/xlink"><image xlink:href="{address}/e.png"/></svg>',
        "imf.mp4": f'<CompositionPlaylist xmlns="x"><Id>{address}</Id></CompositionPlaylist>',
        "asx.wmv": f'<asx version="3.0"><entry><ref href="{address}/f.wmv"/></entry></asx>',
        "link.avi": f"[Reference]\nRef1={address}/g.avi\n",
        "filter.mp4": f"movie={secret}",
    }  # fmt: skip
    made = []
    for name, text in lists.items():
        path = folder / name
        path.write_text(text, encoding="utf-8")
        made.append(path)
    made.append(_outside_reference(folder / "reference.mov", secret))
    return made


def _outside_reference(path: Path, secret: Path) -> Path:
    """A QuickTime file whose samples are said to lie in another file (data reference 'alis')."""
    media.write_video(path, media.steady(20, 25.0), (96, 64))
    data = path.read_bytes()
    at = data.index(b"url ", data.index(b"dref"))
    name = os.fsencode(str(secret))
    data = data[:at] + b"alis" + struct.pack(">I", 0) + name + data[at + 8 :]
    path.write_bytes(data)
    return path


HOSTILE_NAMES = (
    "-rf.mp4",
    "--out=x.mp4",
    "two\nlines.mp4",
    "bell\x07 and \x1b[31mred.mp4",
    "\u202egnp.4pm.mp4",
    "<script>alert(1)<script>.mp4",
    "=HYPERLINK(1).mp4",
    "%s%n{x}[red].mp4",
    "concat:a.mp4",
    "file:other.mp4",
    "' OR 1=1; --.mp4",
    " blank .mp4",
    "a" * 200 + ".mp4",
)
"""File names that mean something to somebody."""

TEXTS = (
    '<script>document.title="taken"</script>',
    "<img src=x onerror=\"document.title='taken'\">",
    '"><svg onload="document.title=\'taken\'">',
    "</style><b id=taken>bold</b>",
    "[a link](javascript:document.title='taken')",
    "**strong** $x^2$ :red[red] :material/delete:",
    "=cmd|' /C calc'!A0",
    "00:00.000 --> 00:09.000\n\nmine",
    "{{7*7}} ${7*7} #{7*7}",
    "\u202ereversed \u0007",
)
"""What somebody may type into a field. A page that runs one is called 'taken' afterwards."""
