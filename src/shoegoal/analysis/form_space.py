"""The space round each shot of a count: how surely it is known, and from where it is seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from shoegoal.analysis.model import Analysis, SceneRecord
from shoegoal.analysis.stills import SceneView
from shoegoal.cues.space import ShotSpace, View, cameras_round
from shoegoal.scene.goal import GoalNotPlausibleError, goal_from_markers
from shoegoal.scene.posterior import UNKNOWNS
from shoegoal.types import Shot

LEAST_PATH = 3  # sightings that tell how the ball left
PATH_S = 0.25  # so long after its first sighting a kicked ball runs straight and evenly


def shot_spaces(analysis: Analysis) -> dict[int, ShotSpace]:
    """Give the space round each shot whose ball was seen at rest, by number."""
    scene = SceneView.of(analysis.goal_scene)
    others = _other_scenes(analysis.goal_scene)
    spaces = {}
    for shot in analysis.shots:
        if shot.kick_spot_m is None:
            continue
        space = ShotSpace(scene.camera, scene.goal, shot.kick_spot_m, scene.ball_diameter_m)
        spots = [(other, other.spot_m(space.ball_px[0])) for other in others]
        neighbours = tuple(
            ShotSpace(other.camera, other.goal, spot_m, other.ball_diameter_m)
            for other, spot_m in spots
            if spot_m is not None
        )
        spaces[shot.number] = replace(space, neighbours=neighbours)
    return spaces


def common_view(spaces: Mapping[int, ShotSpace]) -> View | None:
    """Name the view of a phone that stands still, from the middle one of its shots' angles."""
    if not spaces:
        return None
    return View.of(float(np.median([space.azimuth_deg for space in spaces.values()])))


def ball_left_from_spot(shot: Shot, space: ShotSpace) -> bool:
    """Whether the ball's way leads back to its spot at the moment of contact.

    It does not where the ball was rolling already, or contact was told late. Unknown counts as yes.
    """
    if not shot.path:
        return True
    path = [seen for seen in shot.path if seen.time_s <= shot.path[0].time_s + PATH_S]
    if len(path) < LEAST_PATH:
        return True
    places = space.ball_places([(s.x_px, s.y_px) for s in path], [s.diameter_px for s in path])
    away_m = np.hypot(*(places - [0.0, 0.0, space.ball_diameter_m / 2])[:, :2].T)
    since_s = np.array([seen.time_s for seen in path]) - shot.kick_time_s
    design = np.column_stack([np.ones(len(path)), since_s])
    line, *_ = np.linalg.lstsq(design, away_m, rcond=None)
    scatter_m = np.sqrt(np.sum((away_m - design @ line) ** 2) / max(1, len(path) - 2))
    spread = np.linalg.pinv(design.T @ design)[0, 0]
    return bool(abs(line[0]) <= space.ball_diameter_m + 3 * scatter_m * np.sqrt(spread))


def _other_scenes(scene: SceneRecord) -> list[SceneView]:
    """Scenes one standard deviation off the fitted one; none where the fit was not kept whole."""
    if tuple(scene.unknowns) != UNKNOWNS:
        return []
    views = []
    for camera, ball_m in cameras_round(scene.camera, scene.theta, scene.covariance):
        try:
            goal = goal_from_markers(camera, scene.left_px, scene.right_px)
        except GoalNotPlausibleError:
            continue
        views.append(SceneView(camera, goal, ball_m, scene.left_px, scene.right_px))
    return views
