"""The dressed body: its skinning, its kick, what is told of it, and that it is seen as a person."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from shoegoal.cues.pose import LEFT_LEG, RIGHT_LEG, Joint, Square, open_pose_model
from shoegoal.cues.sight import ShoeSight
from truth.bodies.answers import answers, joints_at, touch
from truth.bodies.kick import Kicking, Wish
from truth.bodies.person import chain, people, skin
from truth.bodies.poses import about, hinged, knee_of, shortest_turn
from truth.bodies.raster import Mesh, draw
from truth.bodies.rig import BONE_ROW, BONES
from truth.bodies.wardrobe import ball_mesh, outfit
from truth.camera import look_from

TARGET_M = np.array([0.0, 8.0])


def kick_of(wish: Wish, person: int = 2) -> Kicking:
    """A kick of a size 5 ball straight at the target."""
    return Kicking.plan(people("develop")[person], wish, np.zeros(2), 0.0, 0.11)


def test_turns_are_those_of_a_reference_library() -> None:
    for axis, name in enumerate("xyz"):
        assert np.allclose(about(axis, 0.7), Rotation.from_euler(name, 0.7).as_matrix())
    a, b = np.array([1.0, 2.0, -1.0]) / 6**0.5, np.array([0.0, 0.6, 0.8])
    turn = shortest_turn(a, b)
    assert np.allclose(turn @ a, b)
    assert Rotation.from_matrix(turn).magnitude() == pytest.approx(math.acos(a @ b))
    frame = hinged(np.array([0, 0, -1.0]), b, np.array([1.0, 0, 0]), np.array([1.0, 0, 0]))
    assert np.allclose(frame @ [0, 0, -1.0], b) and np.allclose(frame @ frame.T, np.eye(3))


def test_a_knee_lies_where_the_law_of_cosines_puts_it() -> None:
    # 3-4-5: the right angle is at the knee.
    knee = knee_of(np.zeros(3), np.array([0, 0, -5.0]), 3.0, 4.0, np.array([0, 1.0, 0]))
    assert np.allclose(knee, [0, 2.4, -1.8])


def test_a_body_turned_as_a_whole_is_the_turned_body() -> None:
    person = people("develop")[0]
    turn = Rotation.from_euler("zyx", [0.4, -0.2, 0.9]).as_matrix()
    turns = np.tile(turn, (len(BONES), 1, 1))
    moved = skin(person, turns, chain(person, turns, np.array([1.0, 2.0, 3.0])))
    wanted = (person.points_m - person.heads_m[0]) @ turn.T + [1.0, 2.0, 3.0]
    assert np.allclose(moved, wanted, atol=1e-9)


def test_an_arm_carries_only_what_hangs_on_it() -> None:
    person = people("develop")[0]
    elbow = BONE_ROW["lowerarm_r"]
    turns = np.tile(np.eye(3), (len(BONES), 1, 1))
    turn = Rotation.from_euler("x", 0.8).as_matrix()
    turns[[elbow, BONE_ROW["hand_r"]]] = turn
    moved = skin(person, turns, chain(person, turns, person.heads_m[0]))
    mine = person.shares * np.isin(person.bones, [elbow, BONE_ROW["hand_r"]])
    share = mine.sum(axis=1)
    assert np.allclose(moved[share == 0], person.points_m[share == 0])
    whole = share > 1 - 1e-9
    about_elbow = (person.points_m[whole] - person.heads_m[elbow]) @ turn.T + person.heads_m[elbow]
    assert whole.sum() > 100 and np.allclose(moved[whole], about_elbow)


@pytest.mark.parametrize("foot", ["left", "right"])
def test_bones_keep_their_length_and_soles_stay_on_the_ground(foot: str) -> None:
    kick = kick_of(Wish(foot=foot, back=0.9, follow=0.4))
    person = kick.person
    for t_s in np.linspace(-0.45, 0.45, 10):
        turns, begin = kick.pose(float(t_s))
        assert np.allclose(np.linalg.det(turns), 1.0)
        for row, bone in enumerate(BONES):
            if bone.parent >= 0:
                rest = np.linalg.norm(person.heads_m[row] - person.heads_m[bone.parent])
                assert np.linalg.norm(begin[row] - begin[bone.parent]) == pytest.approx(rest)
        sole = skin(person, turns, begin, person.shoe(kick.plants))[:, 2].min()
        if -0.1 < t_s < 0.3:
            assert abs(sole) < 0.02  # m; the plant foot stands


def test_a_left_footed_kick_is_the_mirror_image_as_told() -> None:
    right = answers(kick_of(Wish(foot="right", turn=12.0)), TARGET_M)
    left = answers(kick_of(Wish(foot="left", turn=12.0)), TARGET_M)
    # The mesh is symmetric to a few millimetres only.
    assert left == pytest.approx(right, abs=2.0)


def test_what_is_told_follows_what_is_done() -> None:
    plain = answers(kick_of(Wish()), TARGET_M)
    for change, cue, sign in (
        (Wish(beside=0.30), "plant_beside", 1),
        (Wish(ahead=0.10), "plant_fore_aft", 1),
        (Wish(turn=40.0), "plant_to_target", 1),
        (Wish(back=0.0), "backswing", -1),
        (Wish(stutter=1.0), "swing_evenness", -1),
        (Wish(open=5.0), "contact_turn", -1),
        (Wish(follow=0.45), "follow_through", 1),
        (Wish(nod=5.0), "eyes_on_ball", 1),
    ):
        assert sign * (answers(kick_of(change), TARGET_M)[cue] - plain[cue]) > 4.0, cue
    tall = people("develop")[2].height_m
    assert answers(kick_of(Wish(beside=0.30)), TARGET_M)["plant_beside"] - plain[
        "plant_beside"
    ] == pytest.approx(13 * tall, abs=1.5)


def test_the_shoe_touches_the_ball_with_the_part_that_was_meant() -> None:
    inside, gap_m = touch(kick_of(Wish(open=75.0)))
    assert inside == "inside" and abs(gap_m) < 0.02
    toe, gap_m = touch(kick_of(Wish(open=5.0)))
    assert toe == "toe" and abs(gap_m) < 0.02


def test_the_pose_model_sees_a_person_and_finds_the_rig() -> None:
    kick = kick_of(Wish())
    camera = look_from((3.4, -0.2, 1.0), 480, 480, 50.0, (-88.0, 4.0, 0.0))
    t_s = -0.08
    coat = outfit(kick.person, np.random.default_rng(1))
    meshes = [
        Mesh(skin(kick.person, *kick.pose(t_s)), kick.person.faces, coat),
        ball_mesh(np.array([0.0, 0.0, 0.11]), 0.11, np.eye(3), "classic"),
    ]
    lamp = (np.array([0.6, -0.4, 0.69]), np.full(3, 1.5), np.full(3, 0.8))
    layer = draw(camera, [meshes], lamp)
    assert layer is not None
    picture = np.full((480, 480, 3), 0.3, np.float32)
    x0, y0, x1, y1 = layer.box
    part = picture[y0:y1, x0:x1]
    picture[y0:y1, x0:x1] = part * (1 - layer.cover[..., None]) + layer.light
    shown = (np.clip(picture, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)
    piece, square = np.asarray(cv2.cvtColor(shown, cv2.COLOR_RGB2BGR), np.uint8), Square(0, 0, 480)
    with open_pose_model() as model:
        found = model.find(piece, square, 0.0)
    assert found is not None
    shod = ShoeSight().look(piece, square, found)
    true = joints_at(kick, t_s)
    off = [
        float(np.hypot(*(found.points_px[joint] - camera.project(true[name]))))
        for joint, name in (
            (Joint.LEFT_KNEE, "knee_l"),
            (Joint.RIGHT_KNEE, "knee_r"),
            (Joint.LEFT_ANKLE, "ankle_l"),
            (Joint.RIGHT_ANKLE, "ankle_r"),
            (Joint.LEFT_TOE, "toe_l"),
            (Joint.RIGHT_HIP, "hip_r"),
        )
    ]
    # A tenth of the leg's length in the picture at the worst.
    leg_px = float(np.hypot(*(camera.project(true["hip_l"]) - camera.project(true["ankle_l"]))))
    assert max(off) < 0.1 * leg_px, off
    shoes = (
        (Joint.LEFT_HEEL, "heel_l"),
        (Joint.LEFT_TOE, "toe_l"),
        (Joint.LEFT_ANKLE, "ankle_l"),
        (Joint.RIGHT_HEEL, "heel_r"),
        (Joint.RIGHT_ANKLE, "ankle_r"),
    )
    far = [float(np.hypot(*(shod.points_px[j] - camera.project(true[n])))) for j, n in shoes]
    assert max(far) < 0.1 * leg_px, far
    kept = [j for j in Joint if j not in {*LEFT_LEG.foot, *RIGHT_LEG.foot}]
    assert (shod.points_px[kept] == found.points_px[kept]).all()
