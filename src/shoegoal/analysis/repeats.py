"""Was this take counted before? Compared with the results of earlier counts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from shoegoal.analysis.file import ANALYSIS_FILE_NAME, load_analysis
from shoegoal.analysis.model import Analysis, SameTake
from shoegoal.clip.clock import clock_text
from shoegoal.clip.fingerprint import alike_stretch
from shoegoal.errors import BadSettingsError

RESULT_SUFFIX = ".shoegoal"


def earlier_results(result: Path | None, named: Iterable[Path]) -> list[Path]:
    """List the result folders to compare with, each once, never the result's own.

    Parameters
    ----------
    result : folder that the count writes; those beside it whose names end in `RESULT_SUFFIX` are
        taken by themselves. None for a count that writes none.
    named : further folders, each a result or holding results.

    Raises
    ------
    BadSettingsError
        A named folder neither is a result nor holds one.
    """
    found = [] if result is None else _results_in(result.absolute().parent)
    for folder in named:
        inside = [folder] if (folder / ANALYSIS_FILE_NAME).is_file() else _results_in(folder)
        if not inside:
            raise BadSettingsError(
                f"{folder} is not a result of an earlier count and holds none; name a folder that "
                f"shoegoal count wrote, or one with such folders ending in {RESULT_SUFFIX}"
            )
        found += inside
    own = None if result is None else result.resolve()
    return list({path.resolve(): path for path in found if path.resolve() != own}.values())


def _results_in(folder: Path) -> list[Path]:
    return sorted(
        path for path in folder.glob(f"*{RESULT_SUFFIX}") if (path / ANALYSIS_FILE_NAME).is_file()
    )


def with_repeats(analysis: Analysis, earlier: Iterable[Path]) -> Analysis:
    """Note the earlier clips that seem to show the same take; no call and no verdict changes.

    Parameters
    ----------
    analysis : as just counted.
    earlier : result folders; one that cannot be read, or whose format is older, is passed over,
        for its own count is not this one's business.
    """
    same = []
    for folder in earlier:
        try:
            found = same_take(analysis, load_analysis(folder))
        except BadSettingsError:
            continue
        if found is not None:
            same.append(found)
    return with_same_takes(analysis, same)


def with_same_takes(analysis: Analysis, same: Sequence[SameTake]) -> Analysis:
    """Note these clips as showing the same take; no call and no verdict changes."""
    if not same:
        return analysis
    notes = tuple(_sentence(analysis, one) for one in same)
    return replace(
        analysis,
        problems=(*analysis.problems, *notes),
        take=replace(analysis.take, same_takes=(*analysis.take.same_takes, *same)),
    )


def same_take(analysis: Analysis, other: Analysis) -> SameTake | None:
    """Compare two counted clips by their fingerprints.

    The times of the other clip are told by its own clock, counted from its first picture.
    """
    here, there = analysis.take.fingerprint, other.take.fingerprint
    if here is None or there is None:
        return None
    try:
        stretch = alike_stretch(here, there)
    except ValueError as error:
        raise BadSettingsError(f"{other.clip.name}: {error}; count the clip again") from error
    if stretch is None:
        return None
    start_s = other.clip.start_s
    by_clock = replace(
        stretch,
        there_start_s=stretch.there_start_s - start_s,
        there_end_s=stretch.there_end_s - start_s,
    )
    return SameTake(other.clip.name, other.clip.sha256 == analysis.clip.sha256, by_clock)


def _sentence(analysis: Analysis, same: SameTake) -> str:
    if same.is_same_file:
        return f"this is the same file as {same.clip_name}, which was counted before: please look"
    stretch = same.stretch
    here = f"{analysis.clock(stretch.here_start_s)}-{analysis.clock(stretch.here_end_s)}"
    there = f"{clock_text(stretch.there_start_s)}-{clock_text(stretch.there_end_s)}"
    mirrored = ", left and right swapped" if stretch.is_mirrored else ""
    return (
        f"this looks like the same take as {same.clip_name} ({here} here = {there} there"
        f"{mirrored}): please look"
    )
