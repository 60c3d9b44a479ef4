"""What a pupil's page says of a clip: one heading, one sentence, and what can be done now."""

from __future__ import annotations

from dataclasses import dataclass

from shoegoal.card.plan import DRIBBLE_STEPS, phone_place
from shoegoal.filming_check.pupil import Filmed
from shoegoal.ladder.rules import FirstMakes, MakesInARow, MakesOfShots, Stage, TouchesInARow
from shoegoal.ladder.verdict import Decision
from shoegoal.record.handed_in import OPEN_STATES, ClipState, HandedIn
from shoegoal.record.history import SetHistory
from shoegoal.record.plain import counted_text, summary
from shoegoal.review.tus import HANDED_IN_BEFORE
from shoegoal.scale.work import FOUND_NAME, PLAIN_NAME

WAITED_FOR = (ClipState.RECEIVED,)


@dataclass(frozen=True, slots=True)
class ClipView:
    """A clip for its pupil's page.

    Attributes
    ----------
    token, stage, task : which.
    mark : shape that stands for its state: ``ok``, ``again``, ``wait``, ``made`` or ``not-yet``.
    heading, words : what is so.
    short : the same for a line of a list.
    filmed : what the check of the filming said.
    has_picture : there is a picture of it.
    asks : the pupil has to decide whether to film again.
    may_film_again : nothing has come of it yet, and another clip may be the quicker way.
    may_point : the goal was not made out for sure, and the pupil may point at both markers.
    shows_goal : the picture shows a goal that can be doubted.
    is_settling : the page should look again in a moment.
    """

    token: str
    stage: str
    task: str
    mark: str
    heading: str
    words: str
    short: str
    filmed: Filmed | None
    has_picture: bool
    asks: bool
    may_film_again: bool
    may_point: bool
    shows_goal: bool
    is_settling: bool


@dataclass(frozen=True, slots=True)
class SetUpView:
    """How a stage is set up, for the drawing on a phone."""

    name: str
    title: str
    task: str
    is_dribble: bool
    width: str
    back: str
    phone: tuple[str, str]
    steps: tuple[str, ...]


def clip_view(clip: HandedIn, history: SetHistory | None) -> ClipView:
    """Say how a clip stands, to the pupil."""
    filmed = None if clip.filming is None else Filmed.from_plain(clip.filming)
    mark, heading, words, short = _said(clip, history, filmed)
    open_ = clip.state in (ClipState.WAITING, ClipState.COUNTING, ClipState.CHECKED)
    unsure = filmed is not None and not (filmed.good and filmed.sure)
    to_repair = open_ or (clip.state is ClipState.NOT_COUNTED and not is_known(clip))
    return ClipView(
        clip.token,
        clip.stage.title,
        task_of(clip.stage.to_stage()),
        mark,
        heading,
        words,
        short,
        filmed,
        clip.clip_path.with_name(FOUND_NAME).is_file(),
        clip.state is ClipState.CHECKED,
        clip.state is ClipState.NOT_COUNTED or (clip.state is ClipState.WAITING and unsure),
        to_repair
        and clip.markers_px is None
        and clip.stage.width_steps is not None
        and clip.clip_path.with_name(PLAIN_NAME).is_file()
        and (unsure or clip.state is ClipState.NOT_COUNTED),
        open_ and clip.markers_px is None and filmed is not None and filmed.markers_px is not None,
        clip.state in WAITED_FOR or (unsure and clip.state in OPEN_STATES),
    )


def is_known(clip: HandedIn) -> bool:
    """Whether the same file had been handed in before."""
    return clip.why.startswith(HANDED_IN_BEFORE)


def _said(
    clip: HandedIn, history: SetHistory | None, filmed: Filmed | None
) -> tuple[str, str, str, str]:
    handed_in = ("ok", "Handed in")
    match clip.state:
        case ClipState.RECEIVING:
            words = "Choose the same clip again, and it goes on where it stopped."
            return "wait", "Not all of your clip has arrived", words, "not all of it has arrived"
        case ClipState.RECEIVED:
            words = "We look at how it was filmed. That takes a few seconds."
            return "wait", "Your clip has arrived", words, "being looked at"
        case ClipState.CHECKED:
            saw = "" if filmed is None else filmed.saw
            return "again", "Film again", saw, "film again"
        case ClipState.WAITING | ClipState.COUNTING:
            saw = "" if filmed is None else f"{filmed.saw} "
            now = "Now it is being counted."
            if filmed is not None and not filmed.sure:
                now = "It is being counted all the same." if clip.markers_px is None else now
            return *handed_in, f"{saw}{now}", "being counted"
        case ClipState.NOT_COUNTED:
            if is_known(clip):
                words = "We know this clip already. Film a new one."
                return "again", "Handed in before", words, "handed in before"
            if filmed is not None and not filmed.sure:
                words = "We could not count this clip. Your teacher can see it, too."
                return "again", "Film again", words, "film again"
            words = "It could not be counted by itself. Your teacher will look at it."
            return *handed_in, words, "your teacher will look"
        case ClipState.SET_ASIDE:
            words = clip.why or "You film another one in its place."
            return "again", "Set aside", words, "set aside"
        case ClipState.COUNTED:
            if history is None or history.signature is None:
                words = "Your teacher will look at the count."
                return *handed_in, words, "your teacher will look"
            return _signed(history)


def _signed(history: SetHistory) -> tuple[str, str, str, str]:
    told = summary(history, None)
    counted = counted_text(told)
    match Decision(told["decision"]):
        case Decision.ADVANCE:
            return "made", f"{counted}: reached!", "Your teacher has signed it.", "reached"
        case Decision.TRY_AGAIN:
            words = "Your teacher has signed it. Try once more; you know the way now."
            return "not-yet", f"{counted}: not yet", words, "not yet, try again"
        case _:
            words = "Your teacher has looked: some shots are missing. Film the whole set once more."
            return "not-yet", f"{counted}: not finished", words, "not finished"


def task_of(stage: Stage) -> str:
    """Say in a few words what a stage asks, without its goal."""
    match stage.rule:
        case FirstMakes(makes):
            return f"make {makes}"
        case MakesOfShots(makes, shots):
            return f"make {makes} of {shots}"
        case MakesInARow(makes, _):
            return f"make {makes} in a row"
        case TouchesInARow(touches):
            return f"{touches} touches in a row"
        case rule:
            return f"make {rule.makes} within {rule.time_s:g} s"


def set_up_view(stage: Stage) -> SetUpView:
    """Work the drawing and its three sentences out."""
    place = phone_place(stage)
    first = "Warm up, clear the space, ask a grown-up."
    last = "One clip, the whole set. Nobody moves the phone."
    if stage.back_steps is None or stage.width_steps is None:
        return SetUpView(
            stage.name, stage.title, task_of(stage), True, "",
            f"{DRIBBLE_STEPS} by {DRIBBLE_STEPS} steps of room",
            (f"{place.behind_steps} steps in front", "of you"),
            (first, "Stand the phone up so that you and the whole room are in the picture.", last),
        )  # fmt: skip
    return SetUpView(
        stage.name, stage.title, task_of(stage), False,
        f"{stage.width_steps:g} of your steps", f"{stage.back_steps:g} steps",
        (f"{place.behind_steps} steps back,", f"{place.aside_steps} to the side"),
        (
            first,
            "Stand the phone up so that both markers and the ball are in the picture.",
            last,
        ),
    )  # fmt: skip
