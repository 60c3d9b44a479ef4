"""What form adds to a count: ``python bench form-cost``.

Reads the form of twenty kicks spread over a five-minute 1080p30 clip (the sample clip enlarged and
repeated, scene and kicks from its truth) and tells the CPU time beside that of a bare decode.
"""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path

import av
import click

from analysis_examples import example_analysis
from make_clip import SIZE_PX, make_clip
from one_run import decoding
from shoegoal.analysis.model import Analysis
from shoegoal.clip.reader import clip_sha256
from shoegoal.pipeline.form import read_form
from shoegoal.scene.camera import Camera
from shoegoal.types import Estimate, ImagePoint

ROOT = Path(__file__).resolve().parents[1]
SAMPLE, CACHE = ROOT / "sample_clips" / "behind_six", ROOT / ".cache" / "bench"
TARGET_RATIO = 0.5


@click.command("form-cost")
@click.option("--seconds", type=click.FloatRange(30), default=300.0, show_default=True)
@click.option("--kicks", type=click.IntRange(1), default=20, show_default=True)
def form_cost(seconds: float, kicks: int) -> None:
    """Measure what reading form costs beside a bare decode of the clip."""
    clip = CACHE / f"form_{seconds:.0f}s.mp4"
    if not clip.exists():
        make_clip(clip, seconds)
    analysis = known_analysis(clip, seconds, kicks)
    before_s = time.process_time()
    decoded = decoding(clip)()
    decode_s = time.process_time() - before_s
    before_s = time.process_time()
    seen = read_form(clip, analysis)
    form_s = time.process_time() - before_s
    ratio = form_s / decode_s
    click.echo(f"bare decode {decode_s:.1f} s CPU ({decoded})")
    click.echo(
        f"form of {kicks} kicks {form_s:.1f} s CPU: {ratio:.2f} times the decode "
        f"(wanted: {TARGET_RATIO}), loading the model and drawing included; pose looked at "
        f"{seen.form.pictures_looked_at} pictures, {seen.form.pictures_decoded} were decoded; "
        f"the kicker was seen in {sum(shot.side is not None for shot in seen.form.shots)}"
    )


def known_analysis(clip: Path, seconds: float, kicks: int) -> Analysis:
    """Put together what a count of the enlarged clip would say, from the sample's truth."""
    truth = json.loads(SAMPLE.with_suffix(".truth.json").read_text(encoding="utf-8"))
    zoom = SIZE_PX[0] / truth["width_px"]
    known = truth["camera"]
    camera = Camera(
        known["focal_px"] * zoom,
        (known["cx_px"] + 0.5) * zoom - 0.5,
        (known["cy_px"] + 0.5) * zoom - 0.5,
        known["height_m"],
        known["pitch_deg"],
        known["roll_deg"],
    )
    left, right = (
        ImagePoint((x + 0.5) * zoom - 0.5, (y + 0.5) * zoom - 0.5)
        for x, y in truth["goal"]["inner_bases_px"]
    )
    with av.open(str(SAMPLE.with_suffix(".mp4"))) as container:
        period_s = container.streams.video[0].frames / 30
    once = [(shot["kick_time_s"], tuple(shot["kick_spot_m"])) for shot in truth["shots"]]
    rounds = range(int(seconds / period_s) + 1)
    all_kicks = [(r * period_s + t, spot) for r in rounds for t, spot in once]
    fitting = [kick for kick in all_kicks if kick[0] < seconds - 1]
    chosen = [fitting[i * len(fitting) // kicks] for i in range(min(kicks, len(fitting)))]
    example = example_analysis()
    return replace(
        example,
        clip=replace(
            example.clip,
            name=clip.name,
            sha256=clip_sha256(clip),
            width_px=SIZE_PX[0],
            height_px=SIZE_PX[1],
            start_s=0.0,
        ),
        scene=replace(
            example.goal_scene,
            camera=camera,
            left_px=left,
            right_px=right,
            ball_diameter_m=Estimate(truth["ball"]["diameter_m"], 0.002),
        ),
        shots=tuple(
            replace(example.shots[0], number=n, kick_time_s=time_s, kick_spot_m=spot, path=())
            for n, (time_s, spot) in enumerate(chosen, start=1)
        ),
    )
