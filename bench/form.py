"""How right the form cues are: ``python bench form``.

Films kicks of a dressed, articulated body from all sides, reads their form as the tool does (with
a scene as the tool would fit it, and the moment of contact off by a little), and compares every
cue with the posed body.
Errors are learnt on the develop split (`--write` puts them where the tool reads them) and reported
on the report split, which shares neither yards nor bodies with it.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import click
import numpy as np
from scipy.optimize import least_squares, minimize
from scipy.stats import pearsonr, spearmanr
from scipy.stats import t as students_t

from evaluation import ROOT
from form_foot import learn_foot, write_foot
from form_kicks import CACHE, KnownKick, known_kicks
from shoegoal.cues.bands import Band, load_bands, load_errors
from shoegoal.cues.foot import load_foot
from shoegoal.cues.reading import (
    FREEDOM,
    SIGMA_WIDTH,
    Answer,
    KickForm,
    Reading,
    chance_in_band,
    looked_back_s,
    read_kick,
)
from shoegoal.cues.space import View
from shoegoal.record.accuracy import cohens_kappa, wilson_interval
from truth.bodies.film import VIEWS, KickClip

ERRORS = ROOT / "src" / "shoegoal" / "cues" / "errors.toml"
# A cue is claimed from a view where, on the develop split, it answers, and is right, so often.
LEAST_ANSWERED, LEAST_AGREED, LEAST_KICKS = 0.15, 0.92, 12
# A number that does not rise and fall with the truth is no measurement, however often its call is
# right: where most kicks lie in the band, a constant would be. Spearman's rank correlation.
LEAST_FOLLOWED = 0.7
# Good on bodies to develop on, but on the report bodies of 2026-11-29 right in 8 of 12 and 14 of 18
# calls, hardly better than chance (kappa 0.0 and 0.2): not given until something better is found.
WITHDRAWN = {("plant_to_target", View.OBLIQUE), ("swing_evenness", View.OBLIQUE)}
TWO_SIGMAS = 0.9545  # of a normal distribution
SCALE_SIGMA = 0.3  # of the logarithm of a scale, before anything is measured
# A cue is called from the lowest of these probabilities at which so large a share of calls is
# right, on bodies that the errors were not learnt on. The share that the probabilities themselves
# foresee counts as much as so many calls: of one cue from one view few kicks are called, and those
# few may have been lucky.
SURES, WANTED_RIGHT, FORESEEN_CALLS = np.arange(0.80, 0.965, 0.02), 0.965, 40.0
GEOMETRY = "foot"  # a method that is metres by construction, so that its gain is one
LEAST_GAIN = 0.4
HEADER = """\
# Measured errors of each cue from each view, on rendered kicks whose body is known: `python bench
# form --write` measures them on yards and bodies to develop on, and writes this file. A cue is
# given only from views that stand here with `claimed = true`.
# gain, bias: the number is gain times the truth, and bias, in the cue's unit; scale multiplies its
# own standard deviation, and spread is what that lacks, on a body that gain and bias were not
# fitted to. sure: the cue is called in or out of its band from this probability on.
# shots: kicks measured. answered, agreed: of the calls that these errors give on the same kicks;
# followed: rank correlation of the number with the truth. These three are for readers, the tool
# does not use them.
"""


@dataclass(frozen=True, eq=False)
class Error:
    """How far one method of one cue is off from one view."""

    cue: str
    view: View
    method: str
    gain: float
    bias: float
    spread: float
    scale: float
    kicks: int
    missing: float
    followed: float
    chances: (
        Any  # (N,) of each kick's truth to lie in the band, as the unseen bodies' errors have it
    )
    truly: Any  # (N,) whether it does

    def calls(self, sure: float) -> tuple[int, int, float]:
        """How many kicks are called right, how many are called, how many should be right."""
        called_in, called_out = self.chances >= sure, self.chances <= 1 - sure
        right = (called_in & self.truly) | (called_out & ~self.truly)
        foreseen = self.chances[called_in].sum() + (1 - self.chances[called_out]).sum()
        return int(right.sum()), int((called_in | called_out).sum()), float(foreseen)

    @cached_property
    def sure(self) -> float:
        """From which probability on the cue is called."""
        for sure in SURES[:-1]:
            right, of, foreseen = self.calls(sure)
            weight = FORESEEN_CALLS / max(1, of)
            if right + weight * foreseen >= WANTED_RIGHT * (of + FORESEEN_CALLS):
                return float(sure)
        return float(SURES[-1])

    @property
    def answered(self) -> float:
        """Share of all kicks that are called."""
        return self.calls(self.sure)[1] / max(1, self.kicks) * (1 - self.missing)

    @property
    def agreed(self) -> float:
        """Share of calls that are right."""
        right, of, _ = self.calls(self.sure)
        return right / max(1, of)

    @property
    def is_good(self) -> bool:
        """Whether the cue may be given from here."""
        return (
            self.kicks >= LEAST_KICKS
            and self.answered >= LEAST_ANSWERED
            and self.agreed >= LEAST_AGREED
            and self.followed >= LEAST_FOLLOWED
            and (self.cue, self.view) not in WITHDRAWN
        )


@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """One kick as it is and as it was read."""

    kick: KnownKick
    form: KickForm


@click.command()
@click.option("--split", type=click.Choice(["develop", "report"]), help="One half only.")
@click.option("--clips", type=click.IntRange(1), default=4, show_default=True,
              help="So many clips of five kicks a view and split.")  # fmt: skip
@click.option("--rendered-only", is_flag=True, help="Leave out clips that are not filmed yet.")
@click.option("--write", is_flag=True, help="Write the errors of the develop split for the tool.")
@click.option("--true-scene", is_flag=True, help="With the true scene, not as the tool fits it.")
@click.option("--json", "as_json", is_flag=True, help="Print every kick as a JSON line.")
@click.option("--cache", type=click.Path(path_type=Path, file_okay=False), default=CACHE,
              help="Where clips, truth and poses are kept.")  # fmt: skip
def form(
    split: str | None,
    clips: int,
    rendered_only: bool,
    write: bool,
    true_scene: bool,
    as_json: bool,
    cache: Path,
) -> None:
    """Measure the form cues on kicks whose truth is known."""
    for half in ("develop", "report") if split is None else (split,):
        chosen = [KickClip(half, n, view) for n in range(clips) for view in VIEWS]
        if write and half == "develop":
            true = [k for kicks in known_kicks(chosen, cache, rendered_only, False) for k in kicks]
            write_foot(learn_foot(true))
            load_foot.cache_clear()
        kicks = [
            kick
            for clip in known_kicks(chosen, cache, rendered_only, not true_scene)
            for kick in clip
        ]
        if not kicks:
            raise click.ClickException(f"no kick of the {half} split is there to be read")
        if as_json:
            for kick in kicks:
                click.echo(json.dumps(_as_json(as_told(kick))))
            continue
        if half == "develop":
            reads = [
                Read(kick, read_kick(kick.space, kick.contact_s, kick.poses)) for kick in kicks
            ]
            print_methods(reads)
            if write:
                write_errors(best_errors(reads))
                load_errors.cache_clear()
        print_readings([as_told(kick) for kick in kicks], half)


def as_told(kick: KnownKick) -> Read:
    """Read a kick from the pictures that the tool would look at."""
    first_s = kick.contact_s - looked_back_s(kick.space.view)
    poses = [pose for pose in kick.poses if pose.time_s >= first_s]
    return Read(kick, read_kick(kick.space, kick.contact_s, poses))


def errors_of(reads: Sequence[Read], band: Band, view: View) -> list[Error]:
    """Errors of every method of a cue from a view, the best first."""
    here = [r for r in reads if r.kick.space.view is view]
    found: dict[str, list[tuple[float, float, float]]] = {}
    people: dict[str, list[str]] = {}
    for read in here:
        true = float(read.kick.truth["answers"][band.cue])
        for m in read.form.measurements:
            if m.cue == band.cue and np.isfinite(m.value) and _foot_is_right(read):
                found.setdefault(m.method, []).append((m.value, m.sigma, true))
                people.setdefault(m.method, []).append(read.kick.clip.person().name)
    out = []
    for method, rows in found.items():
        value, sigma, true = np.array(rows).T
        gain, bias = fitted_line(value, true, method)
        off = unseen_errors(value, true, method, np.array(people[method]))
        spread, scale = error_model(off, sigma)
        chances = chance_in_band(band, true + off / gain, np.hypot(spread, scale * sigma) / gain)
        out.append(
            Error(
                band.cue,
                view,
                method,
                gain,
                bias,
                spread,
                scale,
                len(rows),
                1 - len(rows) / len(here),
                followed(value, true, band) if len(rows) > 2 else 0.0,
                chances,
                np.array([band.holds(one) for one in true]),
            )
        )
    return sorted(out, key=lambda e: -e.answered)


def followed(value: Any, true: Any, band: Band) -> float:
    """How well numbers rise and fall with the truth: correlation of ranks, 0 to 1.

    Where nothing lies above the band most truths are alike and their ranks mean nothing: there the
    correlation of the numbers themselves.
    """
    found = pearsonr(value, true) if band.open_above else spearmanr(value, true)
    return float(found.statistic)


def fitted_line(value: Any, true: Any, method: str) -> tuple[float, float]:
    """Gain and bias of numbers over the truth, wild ones with less say."""
    gain = 1.0
    if method != GEOMETRY and len(value) >= LEAST_KICKS:
        scale = max(1.4826 * float(np.median(np.abs(value - true - np.median(value - true)))), 0.1)

        def off(line: Any) -> Any:
            return line[0] * true + line[1] - value

        slope = least_squares(off, [1.0, 0.0], loss="soft_l1", f_scale=scale).x[0]
        gain = float(slope) if LEAST_GAIN <= slope <= 1 / LEAST_GAIN else 1.0
    return gain, float(np.median(value - gain * true))


def unseen_errors(value: Any, true: Any, method: str, people: Any) -> Any:
    """Errors of each body's numbers by the line that was fitted to all the other bodies'."""
    off = np.empty(len(value))
    for person in set(people):
        own = people == person
        rest = ~own if (~own).any() else own
        gain, bias = fitted_line(value[rest], true[rest], method)
        off[own] = value[own] - gain * true[own] - bias
    return off


def error_model(off: Any, own: Any) -> tuple[float, float]:
    """Spread, and scale of the own standard deviations (N,), that fit errors (N,) best.

    Maximum likelihood with the tails that the tool takes errors to have, widened until two standard
    deviations hold 95 of 100. A scale far from one needs
    many kicks, and the kicks of one clip share its scene, so that five count as two.
    """

    def cost(logs: Any) -> float:
        spread, scale = np.exp(logs)
        width = np.hypot(spread, scale * own) / SIGMA_WIDTH
        fit = float(np.sum(students_t.logpdf(off / width, FREEDOM) - np.log(width)))
        return 0.5 * float(logs[1] / SCALE_SIGMA) ** 2 - 0.4 * fit

    usual = max(float(np.median(np.abs(off))), 0.01)
    starts = [[np.log(usual * share), 0.0] for share in (1.0, 0.1)]
    found = [minimize(cost, start, method="Nelder-Mead") for start in starts]
    spread, scale = np.exp(min(found, key=lambda one: one.fun).x)
    # Where most errors are next to nothing and a few are large, no one width fits both: it is the
    # few that calls are wrong by.
    width = np.hypot(spread, scale * own)
    wider = max(1.0, float(np.quantile(np.abs(off) / width, TWO_SIGMAS)) / 2)
    return max(wider * float(spread), 0.01), wider * float(scale)


def best_errors(reads: Sequence[Read]) -> list[Error]:
    """The best method of each cue from each view: one that may be given, else the closest."""
    out = []
    for band in load_bands().values():
        for view in View:
            errors = errors_of(reads, band, view)
            good = [e for e in errors if e.is_good]
            out += good[:1] or errors[:1]
    return out


def write_errors(errors: Sequence[Error]) -> None:
    """Write the tool's table."""
    rows = [HEADER]
    rows += [
        f"\n[{e.cue}.'{e.view.value}']\n"
        f'method = "{e.method}"\ngain = {e.gain:.3f}\nbias = {e.bias:.2f}\n'
        f"spread = {e.spread:.2f}\nscale = {e.scale:.2f}\nsure = {e.sure:.2f}\n"
        f"shots = {e.kicks}\nclaimed = {str(e.is_good).lower()}\n"
        f"answered = {e.answered:.2f}\nagreed = {e.agreed:.2f}\nfollowed = {e.followed:.2f}\n"
        for e in errors
    ]
    ERRORS.write_text("".join(rows), encoding="utf-8")
    click.echo(f"wrote {ERRORS.relative_to(ROOT)}", err=True)


def print_methods(reads: Sequence[Read]) -> None:
    """Print the errors of all methods, for people who work on them."""
    click.echo("errors by method, develop split (answered, agreed: with these errors)")
    click.echo(f"{'cue':16}{'view':14}{'method':9}{'kicks':>6}{'missing':>9}{'gain':>6}{'bias':>8}"
               f"{'spread':>8}"
               f"{'scale':>7}{'sure':>6}{'answered':>10}{'agreed':>8}{'followed':>10}")  # fmt: skip
    for band in load_bands().values():
        for view in View:
            for e in errors_of(reads, band, view):
                click.echo(
                    f"{e.cue:16}{e.view.value:14}{e.method:9}{e.kicks:6}{e.missing:9.0%}"
                    f"{e.gain:6.2f}{e.bias:8.1f}{e.spread:8.1f}{e.scale:7.2f}{e.sure:6.2f}{e.answered:10.0%}{e.agreed:8.0%}{e.followed:10.2f}"
                    f"{'  *' if e.is_good else ''}"
                )


def print_readings(reads: Sequence[Read], split: str) -> None:
    """Print what the tool says of each cue from each view beside the truth."""
    right = sum(_foot_is_right(r) for r in reads)
    named = sum(r.form.side is not None for r in reads)
    click.echo(f"\n{split}: {len(reads)} kicks; kicking foot named in {named}, rightly in {right}")
    click.echo(f"{'cue':16}{'view':14}{'kicks':>6}{'answered':>10}{'bias':>8}{'spread':>8}"
               f"{'in 1 and 2 sigma':>18}{'agreed':>18}{'kappa':>7}")  # fmt: skip
    for band in load_bands().values():
        for view in View:
            _print_cue(band, view, reads)
    print_not_given(reads)
    click.echo(f"\n{'view':14}{'kicks':>6}{'given a kick':>13}{'right':>22}"
               f"{'in 1 sigma':>18}{'in 2 sigma':>18}")  # fmt: skip
    for name, here in (
        *((view.value, [r for r in reads if r.kick.space.view is view]) for view in View),
        ("all", list(reads)),
    ):
        if here:
            _print_view(name, here)


def _print_cue(band: Band, view: View, reads: Sequence[Read]) -> None:
    here = [r for r in reads if r.kick.space.view is view]
    rows = [row for row in (_row(r, band) for r in here) if row is not None]
    if not rows:
        return
    off = np.array([row.off for row in rows])
    called = [(row.is_inside, row.said) for row in rows if row.said is not None]
    table = [[sum(c == (a, b) for c in called) for b in (True, False)] for a in (True, False)]
    kappa = cohens_kappa(table)
    within = [np.mean([abs(row.off) <= n * row.sigma for row in rows]) for n in (1, 2)]
    click.echo(
        f"{band.cue:16}{view.value:14}{len(here):6}{len(called) / len(here):10.0%}"
        f"{np.median(off):8.1f}{1.4826 * np.median(np.abs(off - np.median(off))):8.1f}"
        f"{within[0]:10.0%}{within[1]:8.0%}"
        f"{_share(sum(a == b for a, b in called), len(called)):>18}"
        f"{'-' if kappa is None else f'{kappa:.2f}':>7}"
    )


def print_not_given(reads: Sequence[Read]) -> None:
    """Print why cues were not given, by cue and view.

    Of those near the edge of their band: in how many the truth lies in the band, how far it lies
    from the nearest edge, and how large the standard deviations are (medians).
    """
    click.echo(f"\n{'cue':16}{'view':14}{'kicks':>6}{'given':>6}{'wrong':>6}{'near edge':>10}"
               f"{'truly in':>9}{'from edge':>10}{'sigma':>7}  otherwise not given")  # fmt: skip
    for band in load_bands().values():
        for view in View:
            here = [r for r in reads if r.kick.space.view is view]
            if not here:
                continue
            rows = [_row(r, band) for r in here]
            said = [row for row in rows if row is not None and row.said is not None]
            near = [row for row in rows if row is not None and row.said is None]
            reasons = Counter(
                r.form.why_not
                or (
                    _reading(r, band).sentence
                    if _is_claimed(band, view)
                    else "not claimed from here"
                )
                for r, row in zip(here, rows, strict=True)
                if row is None
            )
            why = "; ".join(f"{n} {reason}" for reason, n in reasons.most_common())
            gap, sigma = (
                f"{np.median([getattr(row, name) for row in near]):.1f}" if near else "-"
                for name in ("from_edge", "sigma")
            )
            click.echo(
                f"{band.cue:16}{view.value:14}{len(here):6}{len(said):6}"
                f"{sum(row.said != row.is_inside for row in said):6}{len(near):10}"
                f"{sum(row.is_inside for row in near):9}{gap:>10}{sigma:>7}  {why}"
            )


def _is_claimed(band: Band, view: View) -> bool:
    return any(error.view is view and error.claimed for error in load_errors()[band.cue])


def _print_view(name: str, reads: Sequence[Read]) -> None:
    rows = [row for r in reads for band in load_bands().values()
            if (row := _row(r, band)) is not None]  # fmt: skip
    called = [row for row in rows if row.said is not None]
    hits = sum(row.said == row.is_inside for row in called)
    within = [sum(abs(row.off) <= n * row.sigma for row in rows) for n in (1, 2)]
    click.echo(
        f"{name:14}{len(reads):6}{len(called) / len(reads):13.2f}"
        f"{_share(hits, len(called)):>22}"
        f"{_share(within[0], len(rows)):>18}{_share(within[1], len(rows)):>18}"
    )


def _share(hits: int, of: int) -> str:
    if not of:
        return "-"
    low, high = wilson_interval(hits, of)
    return f"{hits}/{of} {low:.0%}-{high:.0%}"


@dataclass(frozen=True, slots=True)
class Row:
    """One reading beside the truth: is that in the band, what was said, how far off the number."""

    is_inside: bool
    said: bool | None
    off: float
    sigma: float
    from_edge: float


def _reading(read: Read, band: Band) -> Reading:
    return next(r for r in read.form.readings if r.cue == band.cue)


def _row(read: Read, band: Band) -> Row | None:
    reading = _reading(read, band)
    if reading.value is None or reading.sigma is None:
        return None
    true = float(read.kick.truth["answers"][band.cue])
    said = None if reading.answer is Answer.CANNOT_TELL else reading.answer is Answer.IN_BAND
    from_edge = min(abs(true - end) for end in band.ends)
    return Row(band.holds(true), said, reading.value - true, reading.sigma, from_edge)


def _foot_is_right(read: Read) -> bool:
    return read.form.side is not None and read.form.side.value == read.kick.truth["foot"]


def _as_json(read: Read) -> dict[str, Any]:
    return {
        "clip": read.kick.clip.name,
        "kick": read.kick.number + 1,
        "view": read.kick.space.view.value,
        "foot": read.kick.truth["foot"],
        "side": None if read.form.side is None else read.form.side.value,
        "truth": read.kick.truth["answers"],
        "measured": {f"{m.cue}/{m.method}": m.value for m in read.form.measurements},
        "said": {r.cue: r.answer.value for r in read.form.readings},
    }
