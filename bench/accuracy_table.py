"""The accuracy table and what stands below it: metres, calibration, time and memory."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import median
from typing import Any

import click

from probabilities import (
    Chance,
    brier_score,
    coverage,
    expected_calibration_error,
    reliability,
)
from scoring import SetScore
from shoegoal.record.accuracy import wilson_interval

COUNTS = {
    "shots": "shots",
    "opposite": "wrong",
    "false": "false",
    "absent": "absent",
    "listed": "listed",
    "plain": "plain",
    "askplain": "asked_plain",
    "askother": "asked_covered",
    "askfalse": "false_asked",
}
HEADINGS = ("sets", "clear", "exact", "told", "wrong", "sent", "refused", *COUNTS)
LEGEND = """\
clear: no person is asked anything; exact: of these, tallies that are right in every shot;
told, wrong: verdicts told, and those that are not true; sent: sets with anything for a person to
do; refused: whole clips, in brackets those that a person could judge well; opposite: shots called
so; false: called, though there was no shot; absent: shots neither shown nor listed as left out;
listed: only listed; plain: shots covered for less than 30% of their flight, 10 cm or more from a
marker, that met none and stopped nowhere near the line; askplain, askother: of these and of the
others, those asked about; askfalse: asked about, though there was no shot"""
TITLE = 34  # characters


@dataclass(frozen=True, slots=True)
class Row:
    """One count of one set and its score; `good` where the film itself is good."""

    name: str
    nuisance: str
    good: bool
    markers: str
    count: dict[str, Any]
    score: SetScore

    def as_json(self) -> dict[str, Any]:
        """All but the count's details."""
        return {
            "name": self.name,
            "nuisance": self.nuisance,
            "good": self.good,
            "markers": self.markers,
            **asdict(self.score),
        }


def print_table(rows: Sequence[Row], tree: str, faults: bool) -> None:
    """Print everything for people."""
    for markers in dict.fromkeys(r.markers for r in rows):
        some = [r for r in rows if r.markers == markers]
        click.echo(f"\nmarkers {markers}; source {tree}")
        click.echo(f"{'':{TITLE}}" + "".join(f"{h:>9}" for h in HEADINGS))
        for nuisance in dict.fromkeys(r.nuisance for r in some):
            line(nuisance, [r.score for r in some if r.nuisance == nuisance])
        good = [r.score for r in some if r.good]
        line("good clips", good)
        line("all", [r.score for r in some])
        if good:
            print_targets(good)
        named, right = (sum(getattr(r.score, of) for r in some) for of in ("named", "right"))
        click.echo(f"right calls that also say how the shot ended: {share(named, right)}")
        sure, vanished = (sum(r.count.get(of, 0) for r in some) for of in ("sure", "vanished"))
        if sure:
            click.echo(f"stretches of sure balls that are told of nowhere: {share(vanished, sure)}")
        moved = [r.count["same_at_0_px"] for r in some if r.count.get("same_at_0_px") is not None]
        if moved:
            click.echo(
                f"sets not changed by a marker moved by 0 px: {share(sum(moved), len(moved))}"
            )
        print_metres(some)
        print_calibration("make", [c for r in some for c in r.score.chances])
        print_calibration("shot", [c for r in some for c in r.score.shot_chances])
        print_costs(some)
        if faults:
            for r in some:
                if r.score.notes:
                    click.echo(f"{r.name}: " + "; ".join(r.score.notes))
    click.echo("\n" + LEGEND)


def print_targets(scores: Sequence[SetScore]) -> None:
    """What the targets are about, on good clips."""
    shots, plain = sum(s.shots for s in scores), sum(s.plain for s in scores)
    clear = [s for s in scores if not s.is_sent]
    for title, part, whole, target in (
        ("told wrong unasked, of shots", sum(s.told_wrong for s in scores), shots, "0.1%"),
        ("plain shots asked about", sum(s.asked_plain for s in scores), plain, "2%"),
        ("shots asked about", sum(s.unsure for s in scores), shots, "no target"),
        ("exact, of sets that ask nobody", sum(s.is_exact for s in clear), len(clear), "99%"),
        ("verdicts told, of sets", sum(s.told for s in scores), len(scores), "no target"),
        ("wrong verdicts, of those told", sum(s.wrong_verdict for s in scores),
         sum(s.told for s in scores), "0"),
    ):  # fmt: skip
        click.echo(f"{title}: {part} of {whole}, {share(part, whole)} (target {target})")


def line(title: str, scores: Sequence[SetScore]) -> None:
    """Print one row."""

    def total(of: Callable[[SetScore], int]) -> int:
        return sum(of(s) for s in scores)

    clear = [s for s in scores if not s.is_sent]
    needless = total(lambda s: bool(s.refused) and not s.may_refuse)
    refused = total(lambda s: bool(s.refused))
    cells = (
        str(len(scores)),
        str(len(clear)),
        str(sum(s.is_exact for s in clear)),
        str(total(lambda s: s.told)),
        str(total(lambda s: s.wrong_verdict)),
        str(len(scores) - len(clear)),
        f"{refused} ({needless})" if refused else "0",
        *(
            str(total(lambda s, name=name: getattr(s, name)))  # type: ignore[misc]
            for name in COUNTS.values()
        ),
    )
    click.echo(f"{title:{TITLE}}" + "".join(f"{c:>9}" for c in cells))


def share(part: int, whole: int) -> str:
    """A share with Wilson's interval."""
    if not whole:
        return "-"
    low, high = wilson_interval(part, whole)
    return f"{part / whole:.1%} ({low:.1%} to {high:.1%})"


def print_metres(rows: Sequence[Row]) -> None:
    """Errors of goal width and kick distance, and how often their intervals hold the truth."""
    for name in ("width", "distance"):
        errors = [r.score.errors[name] for r in rows if name in r.score.errors]
        if not errors:
            continue
        sigmas = [e for e, _ in errors]
        sizes = sorted(abs(r) for _, r in errors)
        within = sum(r <= 0.05 for r in sizes)
        click.echo(
            f"{name}: median error {median(sizes):.1%}, within 5% in {within} of {len(sizes)}; "
            f"68% intervals hold {coverage(sigmas, 1.0):.0%}, "
            f"95% intervals {coverage(sigmas, 1.959964):.0%}"
        )


def print_calibration(what: str, chances: Sequence[Chance]) -> None:
    """Brier score, calibration error and the reliability table."""
    if not chances:
        return
    click.echo(
        f"P({what}) of {len(chances)}: Brier score {brier_score(chances):.4f}, "
        f"expected calibration error {expected_calibration_error(chances):.4f}"
    )
    for b in reliability(chances):
        click.echo(f"  P {b.low:.1f} to {b.high:.1f}: {b.count:5d}, mean P {b.mean_p:.3f}, "
                   f"was one {share(round(b.share * b.count), b.count)}")  # fmt: skip


def print_costs(rows: Sequence[Row]) -> None:
    """Time beside a bare decode, and memory."""
    if not all("wall_ratio" in r.count for r in rows):
        return  # counted from evidence, without pictures
    click.echo(
        f"time: median {median(r.count['wall_ratio'] for r in rows):.2f} x bare decode "
        f"({median(r.count['cpu_ratio'] for r in rows):.2f} x of its CPU time); "
        f"peak memory {max(r.count['peak_mb'] for r in rows):.0f} MB"
    )


def draw_reliability(rows: Sequence[Row], path: Path) -> None:
    """Draw P against how often it was a make, for both ways of having the markers."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(figsize=(5.2, 5.2), layout="constrained")
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=1, label="as promised")
    for markers in dict.fromkeys(r.markers for r in rows):
        bins = reliability([c for r in rows if r.markers == markers for c in r.score.chances])
        if not bins:
            continue
        spans = [wilson_interval(round(b.share * b.count), b.count) for b in bins]
        axes.errorbar(
            [b.mean_p for b in bins],
            [b.share for b in bins],
            yerr=[
                [max(0.0, b.share - s[0]) for b, s in zip(bins, spans, strict=True)],
                [max(0.0, s[1] - b.share) for b, s in zip(bins, spans, strict=True)],
            ],
            marker="o",
            capsize=3,
            linestyle="none",
            label=f"markers {markers}",
        )
        for b in bins:
            axes.annotate(str(b.count), (b.mean_p, b.share), xytext=(6, -10),
                          textcoords="offset points", fontsize=8)  # fmt: skip
    axes.set(xlabel="P(make)", ylabel="share of makes", xlim=(-0.03, 1.03), ylim=(-0.03, 1.03))
    axes.legend(loc="upper left", frameon=False)
    figure.savefig(path, dpi=130)
    plt.close(figure)
