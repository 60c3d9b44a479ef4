"""How a count of one set compares with its truth: which shots were called, asked about, lost."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

NEAR_S = 1.0  # a kick further from a true one than this is another kick
PLAIN_COVERED = 0.3  # a plain shot is covered for less of its flight
PLAIN_GAP_M = 0.1  # and no nearer to a marker
TALLIED = ("right", "named", "wrong", "unsure", "unsure_fair", "lost", "absent", "plain",
           "asked_plain", "lost_plain")  # fmt: skip
# What nobody can be blamed for not showing as a shot.
OFF_FILM = ("its end is not on film", "a part of its way is not on film", "the camera was moved")
# How the tool names what the truth calls otherwise.
NAMED = {"marker in": "off the marker, in", "marker out": "off the marker, out"}


@dataclass(frozen=True, slots=True)
class SetScore:
    """One count of one set.

    Attributes
    ----------
    refused : the sentence with which the whole clip was refused, or "".
    may_refuse : whether the truth says that this is honest.
    told : whether a verdict was told. wrong_verdict: and it is not true.
    shots : true shots that are on film. right, wrong : calls that agree with the truth or not
        (the opposite); `named` of the right ones also say how the shot ended.
    unsure : shots asked about; of these, `unsure_fair` for a reason that the truth knows.
    lost : true shots that were not shown; of these, `absent` were not listed as left out either.
    plain : true shots that anybody sees (`is_plain`); of these, `asked_plain` were asked about and
        `lost_plain` were not shown.
    false : shots called that never were; `false_asked` were only asked about.
    chances : (P(make), whether it was a make) of every matched shot. shot_chances : (P(shot),
        whether it was one) of everything that was shown.
    errors : per measure ("width", "distance"), (error in sigmas, relative error).
    notes : what went wrong, in words.
    """

    refused: str
    may_refuse: bool
    told: bool
    wrong_verdict: bool
    shots: int
    right: int = 0
    named: int = 0
    wrong: int = 0
    unsure: int = 0
    unsure_fair: int = 0
    lost: int = 0
    absent: int = 0
    plain: int = 0
    asked_plain: int = 0
    lost_plain: int = 0
    false: int = 0
    false_asked: int = 0
    chances: tuple[tuple[float, bool], ...] = ()
    shot_chances: tuple[tuple[float, bool], ...] = ()
    errors: dict[str, tuple[float, float]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @property
    def listed(self) -> int:
        """True shots that are only listed as left out."""
        return self.lost - self.absent

    @property
    def asked_covered(self) -> int:
        """Shots asked about that are not plain."""
        return self.unsure - self.asked_plain

    @property
    def told_wrong(self) -> int:
        """What nobody was asked about and is not true: the opposite, no shot at all, or absent."""
        return self.wrong + self.false + self.absent

    @property
    def is_sent(self) -> bool:
        """Whether a person has to do anything: refused, no verdict, or a shot in doubt."""
        return bool(self.refused) or not self.told or self.unsure + self.false_asked > 0

    @property
    def is_exact(self) -> bool:
        """Whether the tally holds every shot, each called as it was."""
        return not self.refused and self.right == self.shots and self.false + self.false_asked == 0


def score(truth: dict[str, Any], count: dict[str, Any]) -> SetScore:
    """Compare a count (as `judge_one` prints it) with a set's truth file."""
    true_shots = truth["shots"]
    may_refuse = truth["honest"] != "judge"
    if count["refused"]:
        note = () if may_refuse else (f"refused: {count['refused']}",)
        return SetScore(count["refused"], may_refuse, False, False, len(true_shots), notes=note)
    matched = match([s["kick_time_s"] for s in true_shots], [s["time_s"] for s in count["shots"]])
    tallied = dict.fromkeys(TALLIED, 0)
    chances, notes = [], []
    on_film = 0
    for i, true_shot in enumerate(true_shots):
        at = f"{true_shot['kick_time_s']:.1f} s"
        is_make = true_shot["is_make"]
        if i not in matched:
            if true_shot["may_ask"] in OFF_FILM:
                continue
            on_film += 1
            why = _left_out(count, true_shot)
            tallied["lost"] += 1
            tallied["absent"] += not why
            tallied["plain"] += is_plain(true_shot)
            tallied["lost_plain"] += is_plain(true_shot)
            notes.append(f"{at}: lost ({true_shot['outcome']}){why or ', absent'}")
            continue
        on_film += 1
        tallied["plain"] += is_plain(true_shot)
        shot = count["shots"][matched[i]]
        chances.append((shot["p_make"], is_make))
        if shot["call"] == "unsure":
            tallied["unsure"] += 1
            tallied["asked_plain"] += is_plain(true_shot)
            tallied["unsure_fair"] += bool(true_shot["may_ask"])
            if not true_shot["may_ask"]:
                notes.append(f"{at}: unsure of {true_shot['outcome']} ({shot['reason']})")
        elif (shot["call"] == "make") == is_make:
            tallied["right"] += 1
            ended = NAMED.get(true_shot["outcome"], true_shot["outcome"])
            tallied["named"] += shot["outcome"] == ended
        else:
            tallied["wrong"] += 1
            notes.append(
                f"{at}: called {shot['call']}, was {true_shot['outcome']} ({shot['reason']})"
            )
    false, false_asked = _false_shots(truth, count, set(matched.values()), notes)
    told = count["decision"] != "look"
    wrong_verdict = told and count["decision"] not in truth["stage"]["verdicts"]
    if wrong_verdict:
        notes.insert(0, f"told {count['decision']}, true {truth['stage']['verdicts']}")
    return SetScore(
        refused="",
        may_refuse=may_refuse,
        told=told,
        wrong_verdict=wrong_verdict,
        shots=on_film,
        **tallied,
        false=false,
        false_asked=false_asked,
        chances=tuple(chances),
        shot_chances=tuple(
            (shot.get("p_shot", 1.0), j in matched.values())
            for j, shot in enumerate(count["shots"])
        ),
        errors={
            name: off
            for name, true_m in (
                ("width", truth["goal"]["width_m"]),
                ("distance", truth["goal"]["back_m"]),
            )
            if (off := measured_off(count[f"{name}_m"], true_m))
        },
        notes=tuple(notes),
    )


def is_plain(true_shot: dict[str, Any]) -> bool:
    """Whether anybody who watches sees how a shot ended."""
    gap_m = true_shot.get("marker_gap_m")
    return bool(
        not true_shot["may_ask"]
        and true_shot.get("covered", 0.0) < PLAIN_COVERED
        and (gap_m is None or gap_m >= PLAIN_GAP_M)
        and not true_shot.get("meets_marker", False)
        and true_shot["outcome"] != "blocked"
    )


def match(true_s: list[float], told_s: list[float]) -> dict[int, int]:
    """Pair true kicks with told ones, nearest first, at most `NEAR_S` apart."""
    pairs = sorted((abs(a - b), i, j) for i, a in enumerate(true_s) for j, b in enumerate(told_s))
    out: dict[int, int] = {}
    for gap, i, j in pairs:
        if gap <= NEAR_S and i not in out and j not in out.values():
            out[i] = j
    return out


def measured_off(estimate: list[float] | None, true_m: float) -> tuple[float, float] | None:
    """Error over its standard deviation, and over the true value."""
    if estimate is None:
        return None
    value, sigma = estimate
    return (value - true_m) / max(sigma, 1e-9), (value - true_m) / true_m


def _left_out(count: dict[str, Any], true_shot: dict[str, Any]) -> str:
    near = [k for k in count["left_out"] if abs(k["time_s"] - true_shot["kick_time_s"]) <= NEAR_S]
    return f": {near[0]['why']}" if near else ""


def _false_shots(
    truth: dict[str, Any], count: dict[str, Any], used: set[int], notes: list[str]
) -> tuple[int, int]:
    """Count told shots that are none; asking about a play where that is fair costs nothing."""
    false = asked = 0
    for j, shot in enumerate(count["shots"]):
        if j in used:
            continue
        near = [a for a in truth["asides"] if abs(a["time_s"] - shot["time_s"]) <= NEAR_S]
        on_its_way = any(a["kind"] == "a shot already on its way" for a in near)
        is_asked = shot["call"] == "unsure"
        if on_its_way or (is_asked and any(a["may_ask"] for a in near)):
            continue
        what = f" ({near[0]['kind']})" if near else _nearest_contact(truth, shot["time_s"])
        notes.append(f"{shot['time_s']:.1f} s: no shot{what}, {shot['call']} ({shot['reason']})")
        asked += is_asked
        false += not is_asked
    return false, asked


def _nearest_contact(truth: dict[str, Any], time_s: float) -> str:
    """What a ball met about then, in brackets."""
    met = sorted((abs(c["time_s"] - time_s), c["kind"]) for c in truth.get("contacts", ()))
    return f" ({met[0][1]})" if met and met[0][0] <= NEAR_S else ""
