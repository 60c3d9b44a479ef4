"""The real count in a real worker process, end to end on seconds of a sample clip."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import av
from click.testing import CliRunner

from shoegoal.cli.main import cli

SAMPLE = Path(__file__).parents[1] / "sample_clips" / "portrait_vfr.mp4"
FIRST_S = 7.0
LADDER = """
title = "Short"
ball_size = 4
[[stages]]
name = "one"
title = "One is enough"
rule = { kind = "makes-of-shots", makes = 1, shots = 2 }
width_steps = 3
back_steps = 10
"""


def cut_off(sample: Path, clip: Path) -> None:
    """Write the first seconds of a clip, picture for picture as they are."""
    with av.open(str(sample)) as source, av.open(str(clip), "w") as target:
        stream = source.streams.video[0]
        copied = target.add_stream_from_template(stream)
        for packet in source.demux(stream):
            if packet.pts is None or packet.time_base is None:
                continue
            if packet.pts * packet.time_base < FIRST_S:
                packet.stream = copied
                target.mux(packet)


def test_a_clip_is_counted_in_a_worker_and_lands_in_the_book(tmp_path: Path) -> None:
    folder = tmp_path / "Übung 7b"
    folder.mkdir()
    cut_off(SAMPLE, folder / "Zoë 17_one_2.mp4")
    shutil.copyfile(__file__, folder / "Otter 12_one.mp4")  # no clip at all
    (tmp_path / "ladder.toml").write_text(LADDER, encoding="utf-8")
    book = ("--book", str(tmp_path / "book.sqlite3"), "--ladder", str(tmp_path / "ladder.toml"))
    asked = ["class", "run", str(folder), "--class", "7b", "--enrol", "--workers", "2", "--json"]
    done = CliRunner().invoke(cli, [*asked, *book])
    assert done.exit_code == 11, done.output
    otter, zoe = json.loads(done.stdout)
    assert (otter["news"], otter["exit_code"]) == ("failed", 4)
    assert (zoe["news"], zoe["state"], zoe["pupil"]) == ("counted", "to sign", "Zoë 17")
    assert zoe["sentence"].startswith("advance") and zoe["cpu_s"] > 0
    assert (folder / "Zoë 17_one_2.shoegoal" / "evidence" / "shot-01.jpg").exists()
    told = CliRunner().invoke(cli, ["class", "results", "--class", "7b", "--json", *book])
    (counted,) = json.loads(told.stdout)["sets"]
    assert (counted["makes"], counted["misses"], counted["verified"]) == (1, 0, False)
