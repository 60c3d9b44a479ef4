"""Clips damaged in every way: bytes, lengths, names of codecs, whole pieces."""

from __future__ import annotations

import random
from contextlib import closing
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from clip_writer import write_clip
from shoegoal.cli.main import cli
from shoegoal.clip.reader import open_clip
from shoegoal.errors import ShoegoalError

# Container and codec as phones, cameras and programs write them.
SOURCES = (
    ("mp4", "libx264"), ("mov", "libx264"), ("mkv", "libx264"), ("ts", "libx264"),
    ("avi", "libx264"), ("mp4", "libx265"), ("mov", "libx265"), ("mkv", "libx265"),
    ("mp4", "mpeg4"), ("avi", "mpeg4"), ("mkv", "mpeg4"), ("avi", "mjpeg"), ("mov", "mjpeg"),
    ("webm", "libvpx"), ("webm", "libvpx-vp9"), ("mkv", "libvpx-vp9"), ("mp4", "libvpx-vp9"),
    ("3gp", "mpeg4"), ("mpg", "mpeg2video"), ("ogg", "libtheora"),
)  # fmt: skip
PICTURES = 16
_TIME_BASE = Fraction(1, 25)
WHOLE_COUNT_EVERY = 40  # cases: looking at a clip with all of the filming check takes longer
CODEC_NAMES = (b"avc1", b"hvc1", b"hev1", b"mp4v", b"XVID", b"FMP4", b"MJPG", b"jpeg", b"vp09",
               b"V_VP9", b"V_VP8", b"V_MPEG4/ISO/AVC", b"V_MPEGH/ISO/HEVC", b"H264")  # fmt: skip


@cache
def source(place: int) -> bytes:
    """Bytes of a small whole clip."""
    suffix, codec = SOURCES[place]
    path = Path("/dev/shm") / f"attack-{place}.{suffix}"
    grid = np.indices((96, 128)).sum(axis=0)
    lumas = [((grid * 3 + 9 * number) % 200 + 20).astype(np.uint8) for number in range(PICTURES)]
    pixel_format = "yuvj420p" if codec == "mjpeg" else "yuv420p"
    try:
        write_clip(path, lumas, codec=codec, pixel_format=pixel_format, pts=range(PICTURES),
                   time_base=_TIME_BASE)  # fmt: skip
        return path.read_bytes()
    except Exception:
        return b""  # no such encoder in this build
    finally:
        path.unlink(missing_ok=True)


def prepare_clips() -> None:
    """Write every source once."""
    for place in range(len(SOURCES)):
        source(place)


def meet_clip(seed: int, case: int, folder: Path) -> str:
    """Damage a clip and read it in every way that shoegoal reads clips."""
    chance = random.Random(f"{seed} {case}")
    places = [place for place in range(len(SOURCES)) if source(place)]
    place = places[case % len(places)]
    path = folder / f"clip.{SOURCES[place][0]}"
    path.write_bytes(mutated(source(place), chance))
    if case % WHOLE_COUNT_EVERY == 0:
        done = CliRunner().invoke(
            cli, ["fit", str(path), "--json", "--out", str(folder / "fit.jpg")]
        )
        if done.exit_code == 1 or not done.output:
            raise AssertionError(f"exit {done.exit_code}: {done.output[:200]}")
    with open_clip(path) as clip:
        refused = None
        try:
            for frame in clip.frames():
                assert frame.luma.shape == (clip.info.height_px, clip.info.width_px)
        except ShoegoalError as error:
            refused = error
        with clip.sampler() as sampler:
            with closing(sampler.near(sampler.spread_s(0.2), 0.1)) as near:
                for _ in near:
                    pass
            for _ in sampler.between(sampler.times_s[0], sampler.times_s[-1]):
                pass
        if refused is not None:
            raise refused
        return f"{SOURCES[place]}: {'; '.join(p.message for p in clip.problems)[:200]}"


def mutated(content: bytes, chance: random.Random) -> bytes:
    """Damage bytes in one to three ways."""
    for _ in range(chance.choice((1, 1, 2, 3))):
        content = chance.choice(_WAYS)(bytearray(content), chance)
    return content


def _flip(content: bytearray, chance: random.Random) -> bytes:
    for _ in range(chance.choice((1, 3, 20, 200))):
        if content:
            content[chance.randrange(len(content))] = chance.randrange(256)
    return bytes(content)


def _flip_head(content: bytearray, chance: random.Random) -> bytes:
    """Change bytes where sizes, names and tables stand: at either end."""
    for _ in range(chance.choice((1, 3, 10))):
        reach = min(len(content), 1500)
        at = chance.randrange(reach)
        if content:
            content[at if chance.random() < 0.5 else len(content) - 1 - at] = chance.randrange(256)
    return bytes(content)


def _number(content: bytearray, chance: random.Random) -> bytes:
    """Put an absurd number of two, four or eight bytes somewhere near either end."""
    wide = chance.choice((2, 4, 8))
    value = chance.choice((0, 1, 2**31 - 1, 2**32 - 1, 2**63 - 1, 255, 65535)) % 256**wide
    reach = min(len(content), 1500)
    at = chance.randrange(max(1, reach - wide))
    if chance.random() < 0.5:
        at = max(0, len(content) - reach) + at
    content[at : at + wide] = value.to_bytes(wide, chance.choice(("big", "little")))
    return bytes(content)


def _cut(content: bytearray, chance: random.Random) -> bytes:
    return bytes(content[: chance.randrange(len(content) + 1)])


def _drop(content: bytearray, chance: random.Random) -> bytes:
    at, wide = chance.randrange(len(content) + 1), chance.choice((1, 4, 64, 1000))
    return bytes(content[:at] + content[at + wide :])


def _double(content: bytearray, chance: random.Random) -> bytes:
    at, wide = chance.randrange(len(content) + 1), chance.choice((4, 64, 1000, 10_000))
    return bytes(content[: at + wide] + content[at:])


def _zero(content: bytearray, chance: random.Random) -> bytes:
    at, wide = chance.randrange(len(content) + 1), chance.choice((8, 100, 2000))
    content[at : at + wide] = bytes(len(content[at : at + wide]))
    return bytes(content)


def _another_codec(content: bytearray, chance: random.Random) -> bytes:
    there = [name for name in CODEC_NAMES if name in content]
    if not there:
        return _number(content, chance)
    name = chance.choice(there)
    other = chance.choice([b"zzzz", b"\0\0\0\0", *(o for o in CODEC_NAMES if o != name)])
    return bytes(content).replace(name, other[: len(name)].ljust(len(name), b"\0"))


def _joined(content: bytearray, chance: random.Random) -> bytes:
    """Put the front of this clip before the end of another one."""
    other = source(chance.randrange(len(SOURCES)))
    return bytes(content[: chance.randrange(len(content) + 1)]) + other[len(other) // 2 :]


_WAYS = (_flip, _flip_head, _flip_head, _number, _number, _cut, _drop, _double, _zero,
         _another_codec, _another_codec, _joined)  # fmt: skip
