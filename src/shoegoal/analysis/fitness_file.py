"""The answer to "can this clip be judged?" as plain data for JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from shoegoal.analysis.fitness import FORMAT_VERSION, Fitness
from shoegoal.types import ImagePoint


def fitness_to_json(fitness: Fitness, still: Path) -> str:
    """Write the answer as JSON.

    Parameters
    ----------
    fitness : the answer.
    still : where the picture was written.
    """
    facts = fitness.facts
    look, scene = facts.look, facts.scene
    ground = scene.ground
    said: dict[str, Any] = {
        "format_version": FORMAT_VERSION,
        "clip": {
            "name": look.info.path.name,
            "width_px": look.info.width_px,
            "height_px": look.info.height_px,
            "rotation_deg": look.info.rotation_deg,
            "pictures": look.pictures,
            "decoded": look.looked_at,
            "start_s": look.start_s,
            "duration_s": look.end_s - look.start_s,
            "rate_hz": look.rate_hz,
        },
        "fits": fitness.is_fit,
        "answer": fitness.headline,
        "findings": [
            {
                "check": check.name,
                "level": finding.level.name.lower(),
                "do": finding.do,
                "why": finding.why,
                "value": _number(finding.value),
                "limit": check.limit,
                "unit": check.unit,
                "source": check.source,
                "at_px": _point(finding.at_px),
            }
            for check, finding in fitness.findings
        ],
        "measured": {
            "stillness": look.stillness.verdict.value,
            "brightness": look.quality.brightness,
            "blur": look.quality.blur,
            "noise_levels": look.quality.noise_levels,
            "ball_px": None
            if scene.ball is None
            else [float(v) for v in (scene.ball.x_px, scene.ball.y_px, scene.ball.diameter_px)],
            "ball_contrast_levels": facts.contrast_levels,
            "phone_height_m": None if ground is None else ground.camera.height_m,
            "tilt_deg": look.quality.tilt_deg,
            "markers_px": None
            if scene.markers_px is None
            else [_point(marker) for marker in scene.markers_px],
            "markers_probability": scene.sure,
            "goal_in_view_probability": scene.in_view,
        },
        "still": str(still),
    }
    return json.dumps(said, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _point(place: ImagePoint | None) -> list[float] | None:
    return None if place is None else [float(place.x_px), float(place.y_px)]


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)
