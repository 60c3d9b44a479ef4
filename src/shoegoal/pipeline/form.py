"""From a counted clip to the form of its shots: each kick is decoded and read again."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from shoegoal import __version__
from shoegoal.analysis.folders import MARK_FILE_NAME, fresh_folder
from shoegoal.analysis.form_file import (
    FORM_FILE_NAME,
    FORM_FOLDER_NAME,
    FORM_FORMAT_VERSION,
    PAGE_NAME,
    SHEET_NAME,
    SetForm,
    ShotForm,
    form_to_json,
    picture_name,
)
from shoegoal.analysis.model import Analysis, SceneRecord
from shoegoal.clip.clock import clock_text
from shoegoal.clip.frame import U8
from shoegoal.clip.reader import clip_sha256, open_clip
from shoegoal.clip.sampling import Sampler
from shoegoal.cues.pose import MediaPipePose, open_pose_model
from shoegoal.cues.reading import advise, looked_back_s, read_kick, unread
from shoegoal.cues.sight import ShoeSight, find_poses
from shoegoal.cues.space import ShotSpace, View, cameras_round
from shoegoal.errors import BadSettingsError
from shoegoal.pictures.form_picture import draw_form, draw_sheet
from shoegoal.pictures.marks import coded_picture
from shoegoal.pictures.stills import SceneView
from shoegoal.scene.goal import GoalNotPlausibleError, goal_from_markers
from shoegoal.scene.posterior import UNKNOWNS
from shoegoal.types import Shot
from shoegoal.written import write_whole

LEAST_PATH = 3  # sightings that show how the ball left
PATH_S = 0.25  # after its first sighting, during which a kicked ball runs straight and evenly
TEMPLATES = Path(__file__).parent / "templates"


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
    """Whether the ball's path leads back to its spot at the moment of contact.

    It does not where the ball was rolling already, or the moment of contact is late. Unknown counts
    as yes.
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


def page_html(form: SetForm, pictures: Mapping[int, str]) -> str:
    """Lay the page out.

    Parameters
    ----------
    form : the set's form.
    pictures : by shot number, file names beside the page.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("form.html").render(
        form=form,
        pictures=pictures,
        clock=lambda time_s: clock_text(time_s - form.start_s),
        titles=[reading.title for reading in form.shots[0].readings] if form.shots else [],
    )


@dataclass(frozen=True, slots=True, eq=False)
class FormSeen:
    """The form of a set and its pictures.

    Attributes
    ----------
    form : all numbers.
    pictures : by shot number, the drawn picture of contact as JPEG, so that a long set stays
        small; none where the kick was not seen.
    """

    form: SetForm
    pictures: dict[int, bytes]


def read_form(
    path: Path, analysis: Analysis, on_progress: Callable[[float], None] | None = None
) -> FormSeen:
    """Read the form of a counted clip's shots.

    Parameters
    ----------
    path : the clip that was counted.
    analysis : its count.
    on_progress : called with the share of the shots that are done, 0..1.

    Raises
    ------
    BadSettingsError
        The clip is not the one that was counted.
    ClipUnreadableError
        It cannot be read.
    """
    if clip_sha256(path) != analysis.clip.sha256:
        raise BadSettingsError(
            f"{path} is not the clip that was counted as {analysis.clip.name}; count it again"
        )
    shots: list[ShotForm] = []
    pictures: dict[int, bytes] = {}
    looked_at = decoded = 0
    spaces = shot_spaces(analysis)
    view, sight = common_view(spaces), ShoeSight()
    with open_clip(path) as clip, clip.sampler() as sampler, open_pose_model() as model:
        for shot in analysis.shots:
            shot_form, picture, cost = _read_shot(
                shot, spaces.get(shot.number), view, analysis, sampler, model, sight
            )
            shots.append(shot_form)
            if picture is not None:
                pictures[shot.number] = coded_picture(picture)
            looked_at, decoded = looked_at + cost[0], decoded + cost[1]
            if on_progress:
                on_progress(len(shots) / len(analysis.shots))
    form = SetForm(
        format_version=FORM_FORMAT_VERSION,
        tool_version=__version__,
        clip_name=analysis.clip.name,
        clip_sha256=analysis.clip.sha256,
        start_s=analysis.clip.start_s,
        shots=tuple(shots),
        advice=advise([shot.readings for shot in shots]),
        pictures_looked_at=looked_at,
        pictures_decoded=decoded,
    )
    return FormSeen(form, pictures)


def _read_shot(
    shot: Shot,
    space: ShotSpace | None,
    view: View | None,
    analysis: Analysis,
    sampler: Sampler,
    model: MediaPipePose,
    sight: ShoeSight,
) -> tuple[ShotForm, U8 | None, tuple[int, int]]:
    """Read one shot; its picture where the kick was seen, and pictures looked at and decoded."""

    def unseen(why: str) -> tuple[ShotForm, None, tuple[int, int]]:
        azimuth_deg = None if space is None else space.azimuth_deg
        form = ShotForm(
            shot.number, shot.kick_time_s, view if space else None, azimuth_deg, None, unread(why),
            why,
        )  # fmt: skip
        return form, None, (0, 0)

    if space is None or view is None:
        return unseen("the ball's place before the kick was not seen")
    if not ball_left_from_spot(shot, space):
        return unseen("the ball did not leave from where it lay at the moment of contact")
    square = space.square((analysis.clip.width_px, analysis.clip.height_px))
    if square is None:
        return unseen("the kicker lies outside the picture")
    seen = find_poses(sampler, model, square, shot.kick_time_s, sight, looked_back_s(view))
    if seen is None:
        return unseen("the clip has no pictures round the kick")
    kick = read_kick(space, shot.kick_time_s, seen.poses, view)
    form = ShotForm(
        shot.number,
        shot.kick_time_s,
        view,
        space.azimuth_deg,
        kick.side,
        kick.readings,
        kick.why_not,
    )
    picture = draw_form(form, kick, space, square.cut(seen.contact), square, seen.contact.time_s,
                        start_s=analysis.clip.start_s)  # fmt: skip
    return form, picture, (seen.looked_at, seen.decoded)


def write_form(folder: Path, seen: FormSeen) -> None:
    """Write form.json, the pictures and the page into a folder that is being written."""
    place = folder / FORM_FOLDER_NAME
    place.mkdir()
    write_whole(place / FORM_FILE_NAME, form_to_json(seen.form).encode())
    for number, picture in seen.pictures.items():
        (place / picture_name(number)).write_bytes(picture)
    names = {number: picture_name(number) for number in seen.pictures}
    (place / PAGE_NAME).write_text(page_html(seen.form, names), encoding="utf-8")
    sheet = draw_sheet(seen.form, seen.pictures)
    (place / SHEET_NAME).write_bytes(coded_picture(sheet, ".png"))


def add_form(folder: Path, seen: FormSeen) -> None:
    """Put a form into a count's folder, in place of an earlier one; whole or not at all.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds what shoegoal did not write.
    """
    with fresh_folder(folder) as fresh:
        leave_out = shutil.ignore_patterns(MARK_FILE_NAME)
        shutil.copytree(folder, fresh, dirs_exist_ok=True, ignore=leave_out)
        shutil.rmtree(fresh / FORM_FOLDER_NAME, ignore_errors=True)
        write_form(fresh, seen)
