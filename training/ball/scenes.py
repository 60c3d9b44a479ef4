"""Scenes to learn from, drawn by seed; wider than the evaluation's and apart from them."""

from __future__ import annotations

from typing import Any, Literal, cast

import numpy as np

from truth.evaluation import Painter
from truth.scenes import Scene, random_scene

FIRST_SEED = 200_000  # evaluation sets take theirs from below 100 000
TRACED_SHARE = 0.3
View = Literal["behind", "oblique", "side"]  # as `random_scene` takes it
VIEWS = ("behind", "behind", "behind", "oblique", "oblique", "side", "facing")
LINES = (360, 480, 720, 720, 720, 720, 720, 720, 720, 1080)
Table = dict[str, Any]


def drawn_scene(number: int) -> tuple[Scene, Painter]:
    """Return the scene of a number, and who paints it: the same for ever."""
    seed = FIRST_SEED + number
    rng = np.random.default_rng([seed, 91])
    view = str(rng.choice(VIEWS))
    later = rng.random() < 0.4
    tables: Table = {
        "picture": _picture(rng),
        "film": _later_film(rng) if later else _first_film(rng),
        "ball": {"size": int(rng.choice([3, 4, 5]))},
    }
    if rng.random() < 0.5:
        tables["light"] = _light(rng)
    if rng.random() < 0.3:
        tables["weather"] = _weather(rng)
    if rng.random() < 0.25:
        tables["crossers"] = [_crosser(rng, 2 if later else 1)]
    if rng.random() < 0.2:
        tables["friend"] = {
            "height_m": float(rng.uniform(1.2, 1.8)),
            "place_m": (float(rng.choice([-1, 1]) * rng.uniform(1.8, 3.2)), -0.55),
        }
    if rng.random() < 0.15:
        tables["camera"] = {"shake_deg": float(rng.uniform(0.02, 0.3))}
    placed = cast(View, "behind" if view == "facing" else view)
    scene = random_scene(seed, placed, 2 if later else 1, **tables)
    if view == "facing":
        scene = _faced(scene, rng)
    if later:
        scene = _fetched(scene, rng)
    quick = scene.picture.fps < 60 and scene.picture.height_px * scene.picture.width_px < 1e6
    return scene, "traced" if quick and rng.random() < TRACED_SHARE else "plain"


def _picture(rng: np.random.Generator) -> Table:
    lines = int(rng.choice(LINES))
    size = {360: (640, 360), 480: (848, 480), 720: (1280, 720), 1080: (1920, 1080)}[lines]
    upright = lines <= 720 and rng.random() < 0.1
    return {
        "width_px": size[1] if upright else size[0],
        "height_px": size[0] if upright else size[1],
        "fps": float(rng.choice([24.0, 25.0, 30.0, 30.0, 30.0, 30.0, 60.0])),
        "crf": int(rng.integers(20, 37)),
        "shutter_s": 1.0 / float(rng.choice([50, 60, 100, 120, 250, 500])),
        "noise": float(np.exp(rng.uniform(np.log(0.6), np.log(4.0)))),
        "exposure_ev": float(rng.uniform(-1.5, 1.0)),
        "warmth": float(rng.uniform(-0.1, 0.1)),
        "vignette": float(rng.uniform(0.0, 0.4)),
        "smear": float(rng.uniform(0.2, 0.7)) if rng.random() < 0.1 else 0.0,
    }


def _first_film(rng: np.random.Generator) -> Table:
    """From just before the first shot until it has run out."""
    return {"begins": (1, -float(rng.uniform(0.8, 1.6))), "ends": (1, float(rng.uniform(1.0, 2.4)))}


def _later_film(rng: np.random.Generator) -> Table:
    """From before the ball is put down for the second shot."""
    return {"begins": (2, -float(rng.uniform(1.8, 3.4))), "ends": (2, float(rng.uniform(0.5, 1.2)))}


def _light(rng: np.random.Generator) -> Table:
    kind = rng.choice(["low sun", "high sun", "dusk", "overcast"])
    bearing = float(rng.uniform(0, 360))
    if kind == "low sun":
        return {
            "sun_bearing_deg": bearing,
            "sun_height_deg": float(rng.uniform(8, 22)),
            "sun": 2.6,
            "sky": float(rng.uniform(0.5, 0.9)),
        }
    if kind == "high sun":
        return {
            "sun_bearing_deg": bearing,
            "sun_height_deg": float(rng.uniform(45, 75)),
            "sun": 3.2,
            "sky": float(rng.uniform(0.5, 0.9)),
        }
    if kind == "dusk":
        return {"sun": 0.05, "sky": float(rng.uniform(0.25, 0.5)), "haze_deg": 8.0, "cloud": 0.9}
    return {"sun": float(rng.uniform(0.2, 0.8)), "haze_deg": 8.0, "sky": 1.1, "cloud": 0.9}


def _weather(rng: np.random.Generator) -> Table:
    return {
        "wind": float(rng.uniform(0.3, 1.4)),
        "dapple": float(rng.uniform(0.2, 0.8)),
        "flicker": float(rng.uniform(0.1, 0.4)) if rng.random() < 0.3 else 0.0,
    }


def _crosser(rng: np.random.Generator, shot: int) -> Table:
    person = rng.random() < 0.5
    return {
        "kind": "person" if person else "dog",
        "when": (shot, float(rng.uniform(-0.8, 1.2))),
        "y_m": float(rng.uniform(0.8, 5.0)),
        "from_left": bool(rng.random() < 0.5),
        "speed_mps": float(rng.uniform(1.3, 3.0)),
        "height_m": float(rng.uniform(1.2, 1.8) if person else rng.uniform(0.35, 0.65)),
    }


def _faced(scene: Scene, rng: np.random.Generator) -> Scene:
    """Return the scene as seen from behind the goal, with a far hedge behind the kicker."""
    camera = scene.camera.model_copy(
        update={
            "position_m": (
                float(rng.uniform(-1.2, 1.2)),
                -float(rng.uniform(2.2, 4.6)),
                float(rng.uniform(0.4, 1.7)),
            ),
            "aim_m": (0.0, 0.5 * scene.back_m, 0.3),
        }
    )
    data = scene.model_dump() | {"camera": camera.model_dump(), "props": 0}
    data["walls"] = [{"kind": "hedge", "y_m": scene.back_m + float(rng.uniform(4, 9))}]
    return Scene.model_validate(data)


def _fetched(scene: Scene, rng: np.random.Generator) -> Scene:
    """Return the scene with the first ball coming back in a way that suits it."""
    ways = ["carry", "dribble", "kick_back", "next_ball", "next_ball"]
    if scene.friend is not None:
        ways += ["rolled", "kicked", "thrown"] * 2
    data = scene.model_dump()
    data["shots"][0]["fetch"] = str(rng.choice(ways))
    return Scene.model_validate(data)
