"""The cues against bodies whose angles are known, from every side, right- and left-footed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from form_bodies import CONTACT_S, SWING_S, StickKick, body, leg_deg, poses_of, space_from
from shoegoal.cues.legs import Side
from shoegoal.cues.reading import KickForm, read_kick
from shoegoal.cues.space import View

AZIMUTHS = (0.0, 20.0, 45.0, 75.0, 100.0, 160.0, -30.0, -80.0)


def _values(form: KickForm) -> dict[tuple[str, str], float]:
    return {(m.cue, m.method): m.value for m in form.measurements}


def _read(kick: StickKick, azimuth_deg: float, **seen: float) -> KickForm:
    space = space_from(azimuth_deg)
    return read_kick(space, CONTACT_S, poses_of(kick, space, **seen))


@pytest.mark.parametrize("azimuth_deg", AZIMUTHS)
def test_every_cue_gives_back_the_body_it_was_shown(azimuth_deg: float) -> None:
    kick = StickKick(beside_cm=24.0, fore_aft_cm=-11.0, plant_turn_deg=17.0)
    form = _read(kick, azimuth_deg)
    got = _values(form)
    # What the view leaves open is filled with what is usual, within the number's own spread.
    for cue, wanted in (
        ("plant_beside", 24.0),
        ("plant_fore_aft", -11.0),
        ("plant_to_target", 17.0),
        ("contact_turn", 70.0),
    ):
        told = next(m for m in form.measurements if m.cue == cue)
        assert told.value == pytest.approx(wanted, abs=max(0.5, 1.2 * told.sigma)), cue
    for method in ("body", "sight"):
        assert got["backswing", method] == pytest.approx(40.0, abs=3.0)
        assert got["swing_evenness", method] == pytest.approx(100.0, abs=1.0)
        assert got["eyes_on_ball", method] == pytest.approx(5.0, abs=3.0)
    over = [body(kick, t)[[28, 27, 23], 2] for t in np.linspace(0, 0.4, 50)]
    highest = max(100 * (foot - ankle) / (hip - ankle) for foot, ankle, hip in over)
    for method in ("body", "sight", "mean"):
        assert got["follow_through", method] == pytest.approx(highest, abs=2.0)


@pytest.mark.parametrize("azimuth_deg", [80.0, 95.0, -85.0])
def test_from_the_side_the_plane_along_the_shot_gives_the_same(azimuth_deg: float) -> None:
    got = _values(_read(StickKick(), azimuth_deg))
    assert got["backswing", "plane"] == pytest.approx(40.0, abs=4.0)
    assert got["eyes_on_ball", "plane"] == pytest.approx(5.0, abs=5.0)
    assert got["follow_through", "plane"] == pytest.approx(got["follow_through", "body"], abs=4.0)


@pytest.mark.parametrize("azimuth_deg", [10.0, 70.0])
def test_a_left_footed_kick_in_a_mirror_reads_the_same(azimuth_deg: float) -> None:
    right = _read(StickKick(), azimuth_deg)
    left = _read(StickKick().mirrored(), -azimuth_deg)
    assert (right.side, left.side) == (Side.RIGHT, Side.LEFT)
    assert _values(left) == pytest.approx(_values(right), abs=0.3)


def test_numbers_move_with_what_they_measure_and_not_with_the_rest() -> None:
    kick = StickKick()
    before = _values(_read(kick, 30.0))
    for changed, cue, by in (
        (replace(kick, beside_cm=45.0), "plant_beside", 15.0),
        (replace(kick, fore_aft_cm=7.0), "plant_fore_aft", 15.0),
        (replace(kick, plant_turn_deg=-20.0), "plant_to_target", -30.0),
        (replace(kick, contact_turn_deg=0.0), "contact_turn", -70.0),
    ):
        after = _values(_read(changed, 30.0))
        for (name, method), value in after.items():
            if method == "foot" and name.startswith(("plant", "contact")):
                moved = by if name == cue else 0.0
                assert value - before[name, method] == pytest.approx(moved, abs=4.0), name


def test_off_the_middle_the_shot_goes_to_the_middle_of_the_goal() -> None:
    space = space_from(15.0, spot_m=(2.0, 8.0))
    got = _values(read_kick(space, CONTACT_S, poses_of(StickKick(), space)))
    assert got["plant_beside", "foot"] == pytest.approx(30.0, abs=0.5)
    assert space.azimuth_deg == pytest.approx(15.0, abs=0.01)


def test_views_by_their_angle() -> None:
    named = {a: space_from(a).view for a in (0.0, -20.0, 40.0, 90.0, -110.0, 135.0, 155.0)}
    assert list(named.values()) == [
        View.BEHIND,
        View.BEHIND,
        View.OBLIQUE,
        View.SIDE,
        View.SIDE,
        View.FRONT_OBLIQUE,
        View.FACING,
    ]
    assert space_from(-40.0).films_from_right and not space_from(40.0).films_from_right


def test_an_uneven_swing_is_seen() -> None:
    space = space_from(90.0)
    poses = poses_of(StickKick(), space, rate_hz=60.0)
    # The leg goes back again halfway: pictures are shown in another order.
    times = [p.time_s for p in poses]
    order = np.arange(len(poses))
    order[14:20] = order[14:20][::-1]
    jerky = [replace(poses[i], time_s=t) for i, t in zip(order, times, strict=True)]
    even, uneven = (_values(read_kick(space, CONTACT_S, p)) for p in (poses, jerky))
    assert even["swing_evenness", "plane"] > 99.0
    assert uneven["swing_evenness", "plane"] < even["swing_evenness", "plane"] - 4.0


@pytest.mark.parametrize("azimuth_deg", [10.0, 45.0, 90.0, 160.0])
def test_slow_motion_shows_no_swing_and_says_so(azimuth_deg: float) -> None:
    space = space_from(azimuth_deg)
    poses = poses_of(StickKick(), space, rate_hz=120.0)
    slowed = [replace(p, time_s=CONTACT_S + 4 * (p.time_s - CONTACT_S)) for p in poses]
    shown = [p for p in slowed if abs(p.time_s - CONTACT_S) <= 0.42]
    measured = read_kick(space, CONTACT_S, shown).measurements
    for cue in ("backswing", "swing_evenness", "follow_through"):
        own = [m for m in measured if m.cue == cue]
        assert own and all(np.isnan(m.value) and "too slowly" in m.why_not for m in own)
    assert all(np.isfinite(m.value) for m in measured if m.cue == "plant_beside")


@pytest.mark.parametrize(
    ("beyond", "withheld", "told"),
    [
        ({"pitch_deg": 18.0}, ("eyes_on_ball",), "backswing"),
        ({"cx_px": 150.0}, ("backswing", "swing_evenness"), "eyes_on_ball"),
    ],
)
def test_what_lies_outside_the_picture_is_not_measured(
    beyond: dict[str, Any], withheld: tuple[str, ...], told: str
) -> None:
    # A pose model guesses joints beyond the edge, and its guess may look as sure as any other.
    space = space_from(90.0)
    cut = replace(space, camera=replace(space.camera, **beyond))
    measured = read_kick(cut, CONTACT_S, poses_of(StickKick(), cut)).measurements
    for cue in withheld:
        own = [m for m in measured if m.cue == cue and m.method != "mean"]
        assert own and all(np.isnan(m.value) and "outside the picture" in m.why_not for m in own)
    for cue in ("plant_beside", told):
        assert any(np.isfinite(m.value) for m in measured if m.cue == cue)


def test_leg_angles_run_from_back_to_ahead() -> None:
    kick = StickKick()
    assert leg_deg(kick, -SWING_S) == pytest.approx(-40.0) and leg_deg(
        kick, SWING_S
    ) == pytest.approx(35.0)
