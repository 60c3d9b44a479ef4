"""What the film keeps of the set: when it begins and ends, and what it lacks in between."""

from __future__ import annotations

from dataclasses import dataclass, replace

from truth.contacts import Contact, Rest
from truth.extras import Moment
from truth.moves import Aside, Kick
from truth.record import ShotTruth
from truth.scenes import Scene
from truth.video import TIME_BASE, frame_pts


def settle_moments(scene: Scene, kicks: list[Kick]) -> Scene:
    """The scene with every moment given as seconds from the set's beginning."""

    def settled(moment: Moment | None) -> Moment | None:
        if moment is None or moment[0] == 0:
            return moment
        return 0, max(0.0, kicks[moment[0] - 1].contact_s + moment[1])

    def seconds(moment: Moment | None, otherwise: float | None) -> float | None:
        at = settled(moment)
        return otherwise if at is None else at[1]

    film, camera, picture = scene.film, scene.camera, scene.picture
    gaps = tuple(
        g.model_copy(update={"begins": settled(g.begins), "ends": settled(g.ends)})
        for g in film.gaps
    )
    return scene.model_copy(
        update={
            "camera": camera.model_copy(
                update={"bump_at_s": seconds(camera.bump_when, camera.bump_at_s)}
            ),
            "picture": picture.model_copy(
                update={"jump_at_s": seconds(picture.jump_when, picture.jump_at_s)}
            ),
            "film": film.model_copy(
                update={
                    "begins": settled(film.begins),
                    "ends": settled(film.ends),
                    "gaps": gaps,
                }
            ),
        }
    )


@dataclass(frozen=True, slots=True)
class Film:
    """Times of the set that are kept; `gaps_s` are (from, to, closed) in order."""

    begins_s: float
    ends_s: float
    gaps_s: tuple[tuple[float, float, bool], ...]

    @classmethod
    def of(cls, scene: Scene, duration_s: float) -> Film:
        """The film of a scene whose moments are settled."""
        film = scene.film
        return cls(
            0.0 if film.begins is None else film.begins[1],
            duration_s if film.ends is None else min(duration_s, film.ends[1]),
            tuple(sorted((g.begins[1], g.ends[1], g.closed) for g in film.gaps)),
        )

    def keeps(self, set_s: float) -> bool:
        """Whether a moment of the set is on film."""
        lost = any(a <= set_s < b for a, b, _ in self.gaps_s)
        return self.begins_s <= set_s <= self.ends_s and not lost

    def shown_s(self, set_s: float) -> float:
        """Presentation time of a moment of the set; one that was cut away falls on the cut."""
        out = set_s - self.begins_s
        for begin, end, closed in self.gaps_s:
            if closed and set_s > begin:
                out -= min(set_s, end) - begin
        return out

    def ticks(self, scene: Scene) -> tuple[list[int], list[int]]:
        """When each frame is taken (time of the set) and shown, in units of TIME_BASE."""
        p = scene.picture
        taken = [
            tick
            for tick in frame_pts(self.ends_s, p.fps, p.variable_rate, scene.seed)
            if self.keeps(float(tick * TIME_BASE))
        ]
        # The first frame is shown at 0, as phones write it; the rest keep their distance to it.
        shown = [round(self.shown_s(float(t * TIME_BASE)) / TIME_BASE) for t in taken]
        return taken, [t - shown[0] for t in shown]

    def holes(self) -> list[tuple[float, float]]:
        """Presentation times (from, to) between which something is missing."""
        return [(self.shown_s(a), self.shown_s(b)) for a, b, _ in self.gaps_s]


def on_film(
    shots: list[ShotTruth], asides: list[Aside], film: Film, bump_s: float | None
) -> tuple[list[ShotTruth], list[Aside], list[tuple[int, bool]]]:
    """Shots and asides as the film shows them, in its times.

    Parameters
    ----------
    bump_s
        Time of the set at which the camera was bumped.

    Returns
    -------
    tuple
        Shots whose kick is on film, numbered anew; asides on film, with those shots among them
        of which only the end is seen; and for each of these how many shots came before it and
        whether it was a make.
    """
    kept: list[ShotTruth] = []
    extra: list[Aside] = []
    half_seen: list[tuple[int, bool]] = []
    for shot in shots:
        sees_end = film.keeps(shot.decided_s)
        if not film.keeps(shot.kick_time_s):
            if sees_end:
                half_seen.append((len(kept), shot.is_make))
                at = film.shown_s(shot.kick_time_s)
                extra.append(Aside("a shot already on its way", max(0.0, at), may_ask=True))
            continue
        broken = any(shot.kick_time_s < a < shot.decided_s for a, _, _ in film.gaps_s)
        why = shot.may_ask
        if not sees_end:
            why = "its end is not on film"
        elif broken:
            why = "a part of its way is not on film"
        elif bump_s is not None and shot.decided_s > bump_s - 1.0:
            why = "the camera was moved"
        crossing = shot.crossing_time_s
        kept.append(
            replace(
                shot,
                number=len(kept) + 1,
                kick_time_s=film.shown_s(shot.kick_time_s),
                crossing_time_s=None if crossing is None else film.shown_s(crossing),
                end_time_s=film.shown_s(shot.end_time_s),
                may_ask=why,
            )
        )
    extra += [replace(a, time_s=film.shown_s(a.time_s)) for a in asides if film.keeps(a.time_s)]
    return kept, sorted(extra, key=lambda a: a.time_s), half_seen


def contacts_on_film(contacts: list[Contact], film: Film) -> list[Contact]:
    """The contacts that the film shows, in its times."""
    return [
        replace(
            c,
            time_s=film.shown_s(c.time_s),
            end_s=None if c.end_s is None else film.shown_s(c.end_s),
        )
        for c in contacts
        if film.keeps(c.time_s)
    ]


def rests_on_film(rests: list[Rest], film: Film) -> list[Rest]:
    """Where balls lie while the film runs, in its times."""
    out = []
    for rest in rests:
        begin = film.shown_s(max(rest.from_s, film.begins_s))
        end = film.shown_s(min(rest.to_s, film.ends_s))
        if end > begin:
            out.append(replace(rest, from_s=begin, to_s=end))
    return out


def verdicts(
    makes: list[bool], half_seen: list[tuple[int, bool]], need: int, of_shots: int
) -> list[str]:
    """What may be told of a set: with and without the shots of which only the end is seen."""
    told = {verdict(makes, need, of_shots)}
    with_them = list(makes)
    for place, is_make in reversed(half_seen):
        with_them.insert(place, is_make)
    told.add(verdict(with_them, need, of_shots))
    return sorted(told)


def verdict(makes: list[bool], need: int, of_shots: int) -> str:
    """What is true of a set under the rule `need` makes out of the first `of_shots` shots."""
    counted = makes[:of_shots]
    if sum(counted) >= need:
        return "advance"
    return "try again" if sum(counted) + of_shots - len(counted) < need else "not finished"
