"""From a counted clip to the form of its shots: a second, short reading round each kick."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from shoegoal import __version__
from shoegoal.analysis.form_model import FORM_FORMAT_VERSION, SetForm, ShotForm
from shoegoal.analysis.form_picture import draw_form
from shoegoal.analysis.form_space import ball_left_from_spot, common_view, shot_spaces
from shoegoal.analysis.marks import coded_picture
from shoegoal.analysis.model import Analysis
from shoegoal.analysis.stills import U8
from shoegoal.clip.reader import clip_sha256, open_clip
from shoegoal.clip.sampling import Sampler
from shoegoal.cues.pose import MediaPipePose, open_pose_model
from shoegoal.cues.reading import advise, read_kick, unread
from shoegoal.cues.sight import ShoeSight, look_round
from shoegoal.cues.space import ShotSpace, View
from shoegoal.errors import BadSettingsError
from shoegoal.types import Shot


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
    seen = look_round(sampler, model, square, shot.kick_time_s, sight)
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
