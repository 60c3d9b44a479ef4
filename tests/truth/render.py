"""Renders a scene to a clip and its truth: `python -m truth.render SCENE.toml --out DIR`."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from truth.arrays import Bytes, Floats, Picture
from truth.contacts import contacts_of, marker_gap_m, rests_of
from truth.editing import Film, contacts_on_film, on_film, rests_on_film, verdicts
from truth.evaluation import Painter
from truth.optics import LensGrease, exposure_change, lamp_light
from truth.painter import Reel
from truth.record import FrameTruth, Truth, camera_record, covered_share, judge, to_goal
from truth.scenes import Scene, load_scene
from truth.sensor import Sensor, turn_planes
from truth.stage import Stage, set_stage
from truth.studio import frames_of
from truth.video import TIME_BASE, ClipWriter, set_rotation

# A painter's linear frames of a stage with their truth, at given times of the set (ticks), and
# what turns each, or the same after the lens has had its way with it, into stacked 4:2:0 planes.
Shoot = tuple[Iterator[tuple[Picture, FrameTruth]], Callable[[Picture, Floats], Bytes]]


def shoot_traced(stage: Stage, ticks: list[int]) -> Shoot:
    """Frames by following light through the scene."""
    p = stage.scene.picture
    sensor = Sensor.make(p.width_px, p.height_px, p.noise, p.vignette, stage.scene.seed)
    return frames_of(stage, ticks), sensor.planes


def shoot_plain(stage: Stage, ticks: list[int]) -> Shoot:
    """Frames painted with tiles, stamps and shadow polygons."""
    reel = Reel.open(stage, ticks)
    return reel.frames(), reel.develop


PAINTERS: dict[Painter, Callable[[Stage, list[int]], Shoot]] = {
    "traced": shoot_traced,
    "plain": shoot_plain,
}


def auto_gain(backdrop: Picture, scene: Scene) -> Floats:
    """Exposure with white balance that sets the picture's middle tone."""
    # Phones meter the lower middle more than the sky.
    part = backdrop[backdrop.shape[0] // 3 :].mean(axis=2)
    mean = float(np.median(part))
    warm = scene.picture.warmth
    gain: Floats = (
        0.24
        / max(1e-4, mean)
        * 2.0**scene.picture.exposure_ev
        * np.array([1.0 + warm, 1.0, 1.0 - warm])
    )
    return gain


def film_stage(
    stage: Stage, out_path: Path, progress: bool = False, painter: Painter = "traced"
) -> list[FrameTruth]:
    """Film a stage to an mp4, as for `render_clip`; returns what is true of each frame."""
    scene = stage.scene
    p = scene.picture
    taken, shown = Film.of(scene, stage.play.duration_s).ticks(scene)
    grease = LensGrease.on(p.width_px, p.height_px, p.smear, scene.seed)
    source, develop = PAINTERS[painter](stage, taken)
    upright = p.rotation_deg % 180 == 0
    stored = (p.width_px, p.height_px) if upright else (p.height_px, p.width_px)
    frames: list[FrameTruth] = []
    gain: Floats | None = None
    begun = time.perf_counter()
    with ClipWriter(out_path, *stored, p.fps, p.codec, p.crf, p.preset, p.bits) as writer:
        for tick, (picture, truth) in zip(shown, source, strict=True):
            if gain is None:
                gain = auto_gain(picture, scene)
            level = gain * exposure_change(scene, truth.pts_s)
            picture = lamp_light(scene, grease.over(picture), truth.pts_s)
            # The stored picture is turned so that the player's turn brings it upright.
            planes = turn_planes(develop(picture, level), p.rotation_deg // 90)
            writer.add(planes, tick)
            frames.append(replace(truth, pts_s=float(tick * TIME_BASE)))
            if progress and len(frames) % 150 == 0:
                spent = (time.perf_counter() - begun) / len(frames)
                print(f"{len(frames)}/{len(shown)} frames, {spent:.3f} s each", file=sys.stderr)
    if p.rotation_deg:
        set_rotation(out_path, p.rotation_deg)
    return frames


def render_clip(
    scene: Scene, out_path: Path, progress: bool = False, painter: Painter = "traced"
) -> Truth:
    """Render a scene to an mp4.

    Parameters
    ----------
    out_path
        The mp4 to write.
    progress
        Say how far it is on stderr.
    painter
        "traced" follows light through the scene; "plain" paints it with tiles and stamps, sooner
        and with other looks. Both show the same events and tell the same truth.

    Returns
    -------
    Truth
        What the clip shows; `Truth.write` saves it.
    """
    stage = set_stage(scene)
    return truth_of(stage, film_stage(stage, out_path, progress, painter))


def truth_of(stage: Stage, frames: list[FrameTruth]) -> Truth:
    """All that is known of a stage whose film has these frames."""
    scene = stage.scene
    radius = stage.body.radius_m
    half = scene.width_m / 2.0
    bases = np.array([[-half, 0.0, 0.0], [half, 0.0, 0.0]])
    film = Film.of(scene, stage.play.duration_s)
    play, posts = stage.play, stage.body.posts
    judged = [
        replace(
            judge(i + 1, k, scene.width_m, radius),
            marker_gap_m=marker_gap_m(k.run, posts, radius),
        )
        for i, k in enumerate(play.kicks)
    ]
    shots, asides, half_seen = on_film(
        judged,
        play.asides,
        film,
        scene.camera.bump_at_s,
    )
    shots = [replace(s, covered=covered_share(s, frames)) for s in shots]
    contacts = contacts_of(play.kicks, play.taps, play.holds, play.dribbles, posts, radius)
    makes = sum(s.is_make for s in shots)
    rule = scene.rule
    return Truth(
        name=scene.name,
        seed=scene.seed,
        width_px=stage.camera.width_px,
        height_px=stage.camera.height_px,
        rotation_deg=scene.picture.rotation_deg,
        duration_s=frames[-1].pts_s,
        camera=camera_record(stage.camera),
        goal={
            "width_m": scene.width_m,
            "back_m": scene.back_m,
            "inner_bases_m": [to_goal(b) for b in bases],
            "inner_bases_px": stage.camera.project(bases).tolist(),
            "markers": [scene.goal.left, scene.goal.right],
        },
        ball={
            "size": scene.ball.size,
            "design": scene.ball.design,
            "diameter_m": 2.0 * radius,
            "roll_mps2": stage.body.going.roll_mps2,
        },
        stage={
            "width_steps": scene.goal.width_steps,
            "back_steps": scene.goal.back_steps,
            "step_m": scene.goal.step_m,
            "rule": {"kind": "makes of shots", "makes": rule.makes, "shots": rule.shots},
            "verdicts": verdicts([s.is_make for s in shots], half_seen, rule.makes, rule.shots),
        },
        kicker={"height_m": scene.kicker.height_m, "foot": scene.kicker.foot},
        tally={
            "shots": len(shots),
            "makes": makes,
            "misses": len(shots) - makes,
            "stage_met": sum(s.is_make for s in shots[: rule.shots]) >= rule.makes,
        },
        shots=shots,
        frames=frames,
        nuisance=scene.nuisance,
        honest=scene.honest,
        asides=asides,
        contacts=contacts_on_film(contacts, film),
        rests=rests_on_film(rests_of(play.balls), film),
        gaps_s=film.holes(),
    )


def main(argv: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Render scene files to clips with their truth.")
    parser.add_argument("scenes", nargs="+", type=Path)
    parser.add_argument("--out", type=Path, default=Path())
    parser.add_argument("--painter", choices=list(PAINTERS), default="traced")
    options = parser.parse_args(argv)
    options.out.mkdir(parents=True, exist_ok=True)
    for path in options.scenes:
        clip = options.out / f"{path.stem}.mp4"
        truth = render_clip(load_scene(path), clip, progress=True, painter=options.painter)
        truth.write(clip.with_suffix(".truth.json"))
        print(f"{clip}: {truth.tally['makes']} of {truth.tally['shots']}")


if __name__ == "__main__":
    main()
