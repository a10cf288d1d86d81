"""Which checkpoints a recheck counts: by id, attribute, area, or drawn at random with a seed.

Part of the pipeline: ids and rules in, ids and words out; no figure is computed here.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from accuracy.errors import RequestError
from accuracy.model import Checkpoint, CheckpointResult
from accuracy.rounding import counted, in_a_row
from accuracy.statistics.influence import random_subset

_FIELDS = ("cover", "role", "mark")
MOST_VALUES = 12
"""Of an attribute, named where one is not among them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubsetRules:
    """What is asked for; rules that are given together all apply."""

    only: tuple[str, ...] = ()
    where: tuple[tuple[str, str], ...] = ()
    """Attribute and value; cover, role and mark count as attributes."""
    area: Path | None = None
    """GeoJSON polygons, in the working frame or in longitude and latitude."""
    random: int | None = None
    seed: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Subset:
    """The ids that count, and the choice in words; None where everything counts."""

    ids: frozenset[str]
    words: str | None


def choose(
    checkpoints: Sequence[CheckpointResult],
    rules: SubsetRules,
    *,
    crs_wkt: str | None = None,
    table: str | None = None,
) -> Subset:
    """Apply the rules; ``table`` is the name of the file that the checkpoints came from.

    Raises RequestError for ids, attributes or values that no checkpoint has, for an area file that
    cannot be read, and where nothing is left.
    """
    chosen = list(checkpoints)
    words = []
    if rules.only:
        known = {point.id for point in checkpoints}
        only = set(expanded(rules.only, known, "to be counted", table=table, place="--only"))
        chosen = [point for point in chosen if point.id in only]
        words.append("only " + ", ".join(sorted(only)))
    for name, value in rules.where:
        chosen = _having(checkpoints, chosen, name, value)
        words.append(f"{name} is {value}")
    if rules.area is not None:
        # Loaded only here: geometry and geodesy are slow to load and most rechecks need neither.
        from accuracy.areas import inside_area

        places = [(point.easting_m, point.northing_m) for point in chosen]
        inside = inside_area(places, rules.area, crs_wkt=crs_wkt)
        chosen = [point for point, within in zip(chosen, inside, strict=True) if within]
        words.append(f"inside the area of {rules.area.name}")
    if rules.random is not None:
        candidates = [point.id for point in chosen if point.used]
        if not 0 < rules.random <= len(candidates):
            raise RequestError(
                f"{counted(rules.random, 'checkpoint')} {'is' if rules.random == 1 else 'are'} to be drawn "
                f"and {len(candidates)} are there to draw from",
                remedy="Ask for fewer.",
            )
        drawn = set(random_subset(candidates, rules.random, seed=rules.seed))
        chosen = [point for point in chosen if point.id in drawn]
        words.append(f"{rules.random} drawn at random with seed {rules.seed}")
    if not chosen:
        raise RequestError(
            f"no checkpoint is left ({'; '.join(words)})", remedy="Widen the choice of checkpoints."
        )
    return Subset(ids=frozenset(point.id for point in chosen), words="; ".join(words) if words else None)


def attribute(point: CheckpointResult, name: str) -> str | None:
    """An attribute of a checkpoint; the table's own named columns count as attributes."""
    return str(getattr(point, name)) if name in _FIELDS else point.attributes.get(name)


def _having(
    everyone: Sequence[CheckpointResult], among: Sequence[CheckpointResult], name: str, value: str
) -> list[CheckpointResult]:
    check_attribute(name, everyone)
    values = _values(everyone, name)
    if value not in values:
        raise RequestError(f'no checkpoint has {name} "{value}"', remedy=f"There are {_some(values)}.")
    return [point for point in among if attribute(point, name) == value]


def _values(checkpoints: Sequence[CheckpointResult], name: str) -> list[str]:
    return sorted({found for point in checkpoints if (found := attribute(point, name)) is not None})


def _some(values: Sequence[str], *, quoted: bool = False) -> str:
    """The first of them; in quotes where a report may print them, which converts no length within."""
    more = len(values) - MOST_VALUES
    named = [f'"{value}"' if quoted else value for value in values[:MOST_VALUES]]
    return ", ".join(named) + (f" and {more} more" if more > 0 else "")


def nobody_has(checkpoints: Sequence[CheckpointResult], where: Mapping[str, str]) -> str:
    """Why no checkpoint has all of these attributes: which of them none has, and what there is instead."""
    said = []
    for name, value in where.items():
        values = _values(checkpoints, name)
        if value not in values:
            there = f"there are {_some(values, quoted=True)}" if values else "none has any"
            said.append(f'no checkpoint has {name} "{value}" ({there})')
    together = in_a_row([f'{name} "{value}"' for name, value in where.items()])
    return "; ".join(said) or f"no checkpoint has {together} together"


def check_attribute(
    name: str,
    checkpoints: Sequence[Checkpoint | CheckpointResult],
    *,
    path: Path | None = None,
    place: str | None = None,
) -> None:
    """Refuse an attribute that no checkpoint has. Raises RequestError, with the nearest name there is."""
    names = sorted({*_FIELDS, *(key for point in checkpoints for key in point.attributes)})
    if name not in names:
        near = get_close_matches(name, names, n=1)
        raise RequestError(
            f'no checkpoint has an attribute "{name}"',
            path=path,
            place=place,
            remedy=(f'Did you mean "{near[0]}"? ' if near else "") + f"There are {', '.join(names)}.",
        )


def expanded(
    given: Sequence[str],
    known: Collection[str],
    what: str,
    *,
    table: str | None = None,
    path: Path | None = None,
    place: str | None = None,
) -> tuple[str, ...]:
    """The ids meant: each as it stands or, where no checkpoint is called that, several with commas between.

    ``table`` is the name of the file that the checkpoints came from; ``path`` and ``place`` are where the
    ids were written. Raises RequestError for an id that no checkpoint has.
    """
    ids: list[str] = []
    for text in given:
        parts = [text] if text in known else [part for piece in text.split(",") if (part := piece.strip())]
        unknown = next((part for part in parts or [text] if part not in known), None)
        if unknown is not None:
            where = f" in {table}" if table else ""
            raise RequestError(
                f'checkpoint "{unknown}" is {what}, but no checkpoint{where} has that id',
                path=path,
                place=place,
                remedy="".join(
                    f'Did you mean "{one}"? ' for one in get_close_matches(unknown, sorted(known), n=1)
                )
                + "Check the id; capital letters count.",
            )
        ids += parts
    return tuple(dict.fromkeys(ids))
