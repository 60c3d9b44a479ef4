"""The evaluation sets: deterministic, split by yard, and complete as to what makes sets hard."""

from __future__ import annotations

import itertools

from truth.catalogue import catalogue, chosen
from truth.shelf import Shelved
from truth.stage import aim_camera

# What has to be there (the project's own list of what real yards do to a clip).
NUISANCES = {
    "ball sent back by somebody",
    "fetched through the goal",
    "balls waiting",
    "somebody crosses",
    "marker hit",
    "stops near the line",
    "in the air",
    "blocked",
    "retake after a fluff",
    "kicked from too near",
    "camera bumped",
    "exposure jump",
    "wind",
    "shake",
    "cut film",
    "lens smear",
    "flicker",
    "dusk",
    "facing view",
    "side view",
    "formats",
    "low phone",
    "compressed hard",
    "green ball",
    "wall close behind",
    "close calls",
}


def test_there_are_enough_sets_and_every_nuisance_has_its_own_in_both_halves() -> None:
    sets = catalogue()
    assert len(sets) >= 80
    assert len({s.name for s in sets}) == len(sets) == len({s.file_name for s in sets})
    for split in ("develop", "report"):
        assert {s.trouble.nuisance for s in sets if s.split == split} >= NUISANCES
    assert {s.painter for s in sets} == {"plain", "traced"}


def test_the_halves_share_no_yard_and_no_scene() -> None:
    halves = [
        {s.yard.seed for s in catalogue() if s.split == half} for half in ("develop", "report")
    ]
    assert not halves[0] & halves[1]
    tables = [
        {repr(s.yard.tables) for s in catalogue() if s.split == half}
        for half in ("develop", "report")
    ]
    assert not tables[0] & tables[1]
    seeds = [s.scene().seed for s in catalogue()]
    assert len(set(seeds)) == len(seeds)


def test_a_name_gives_the_same_scene_and_place_for_ever(tmp_path_factory) -> None:  # type: ignore[no-untyped-def]
    folder = tmp_path_factory.mktemp("shelf")
    for one in chosen(split="report", limit=6):
        again = next(s for s in chosen((one.name,)) if s == one)
        assert again.scene() == one.scene()
        assert Shelved.of(again, folder) == Shelved.of(one, folder)


def test_sets_have_five_to_twenty_shots_and_what_the_issue_varies() -> None:
    scenes = [s.scene() for s in catalogue()]
    assert all(4 <= len(s.shots) <= 20 for s in scenes if s.nuisance != "nobody shoots")
    assert {s.ground for s in scenes} == {"grass", "concrete", "gravel", "indoor"}
    kinds = {w.kind for s in scenes for w in s.walls}
    assert kinds == {"brick", "plaster", "fence", "hedge", "net"}
    assert {s.ball.size for s in scenes} == {3, 4, 5}
    designs = {s.ball.design for s in scenes}
    assert designs == {"white", "classic", "yellow", "orange", "dark", "green"}
    markers = {m for s in scenes for m in (s.goal.left, s.goal.right)}
    assert markers == {"shoe", "cone", "bottle", "bag"}
    assert {s.kicker.foot for s in scenes} == {"left", "right"}
    assert {s.picture.codec for s in scenes} == {"libx264", "libx265"}
    assert {s.picture.fps for s in scenes} == {24.0, 30.0, 60.0}
    sizes = {(s.picture.width_px, s.picture.height_px) for s in scenes}
    assert {(1280, 720), (1920, 1080), (3840, 2160), (720, 1280)} <= sizes
    heights = [s.camera.position_m[2] for s in scenes]
    assert min(heights) < 0.4 and max(heights) >= 1.8


def test_goal_and_kick_spot_are_in_view() -> None:
    for one in catalogue():
        scene = one.scene()
        camera = aim_camera(scene)
        half = scene.width_m / 2.0
        points = [[-half, 0.0, 0.0], [half, 0.0, 0.0], [0.0, -scene.back_m, 0.0]]
        for x, y in camera.project(points):  # type: ignore[arg-type]
            assert 0 < x < scene.picture.width_px, one.name
            assert y < scene.picture.height_px, one.name


def test_people_and_steps_stay_within_what_stages_ask() -> None:
    for left, right in itertools.pairwise(catalogue()):
        assert left.name != right.name
    for one in catalogue():
        goal = one.scene().goal
        # Common practice, no source: 3 to 6 steps wide, 10 to 15 back.
        assert 3 <= goal.width_steps <= 6 and 10 <= goal.back_steps <= 15
