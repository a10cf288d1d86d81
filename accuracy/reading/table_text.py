"""Bytes to records: encoding, line ends, comments, delimiter. First step of reading a checkpoint table."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from accuracy.errors import TableError
from accuracy.reading.table_numbers import looks_numeric, strictly_numeric

MOST_BYTES = 256 * 1024 * 1024
MOST_LINE_CHARACTERS = 100_000
MOST_QUOTED_LINES = 50
SAMPLE_RECORDS = 200

# Zero-width and direction marks, soft hyphen, stray byte order marks: they come with copying from web
# pages and spreadsheets, and nobody can see them.
_INVISIBLE = dict.fromkeys(
    [0x00AD, *range(0x200B, 0x2010), *range(0x202A, 0x202F), *range(0x2060, 0x2065), 0xFEFF], None
)
_INVISIBLE_PATTERN = re.compile("[" + "".join(map(chr, _INVISIBLE)) + "]")
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")

_NOT_TEXT = (
    (b"LASF", "a point cloud, not a table", "Name the checkpoint table with --checkpoints."),
    (b"PK\x03\x04", "a spreadsheet workbook or zip archive", "Save the sheet as CSV (UTF-8) and give that."),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet workbook", "Save the sheet as CSV (UTF-8) and give that."),
    (b"%PDF", "a PDF document", "Export the points as CSV from the survey software."),
    (b"\x1f\x8b", "a compressed file", "Unpack it first."),
)


class Record(NamedTuple):
    """One record: its first line in the file, counted from 1, its cells stripped, and its exact text."""

    row: int
    cells: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """A file as text, with ``\\n`` line ends."""

    text: str
    encoding: str
    byte_order_mark: bool
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Delimiter:
    """A way to cut lines: csv does the cutting, after ``prepare`` where blanks separate."""

    name: str
    character: str
    prepare: Callable[[str], str] | None = None

    @property
    def is_blanks(self) -> bool:
        """Whether an empty cell cannot be seen in this dialect."""
        return self.prepare is not None


def _wide_blanks_to_tabs(line: str) -> str:
    return re.sub(r" *\t *| {2,}", "\t", line.strip(" \t\n")) + "\n"


def _blanks(line: str) -> str:
    return line.replace("\t", " ").strip(" \n") + "\n"


# In order of preference where the evidence is equal.
DELIMITERS = (
    Delimiter(name="tab", character="\t"),
    Delimiter(name="semicolon", character=";"),
    Delimiter(name="comma", character=","),
    Delimiter(name="vertical bar", character="|"),
    Delimiter(name="two or more blanks", character="\t", prepare=_wide_blanks_to_tabs),
    Delimiter(name="blanks", character=" ", prepare=_blanks),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Records:
    """A table cut into records; comments and blank lines are out, comments are kept beside."""

    delimiter: Delimiter
    records: tuple[Record, ...]
    comments: tuple[Record, ...]
    """Comment lines, cut like the others, without their comment sign."""


# --------------------------------------------------------------------------- bytes to text


def read_text(path: Path) -> Decoded:
    """Read a whole text file, whatever its encoding.

    Raises TableError where there is no such file, where it is empty, or where it is not text.
    """
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise TableError("is a folder, not a table", path=path, remedy="Name the table's file.")
        if size > MOST_BYTES:
            raise TableError(
                f"holds {size:,} bytes, too many for a checkpoint table",
                path=path,
                remedy="Check that this is the table and not a point cloud in text form.",
            )
        raw = path.read_bytes()
    except OSError as error:
        raise TableError(
            f"cannot be read ({error.strerror or error})",
            path=path,
            remedy="Check the file's name and place.",
        ) from error
    return decode(raw, path)


def decode(raw: bytes, path: Path) -> Decoded:
    """Bytes to text: byte order mark first, then UTF-16 by its zero bytes, UTF-8, and Windows-1252 last."""
    if not raw.strip():
        raise TableError("is empty", path=path, remedy="Export the table again.")
    for start, what, remedy in _NOT_TEXT:
        if raw.startswith(start):
            raise TableError(f"is {what}", path=path, remedy=remedy)
    encoding, marked = _encoding(raw)
    remarks = []
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        raise TableError(
            f"is not whole {encoding.upper()} text: {error.reason}",
            path=path,
            place=f"byte {error.start:,}",
            remedy="Export or copy the table again, as UTF-8 if there is a choice.",
        ) from error
    text = text.replace("\r\n", "\n").replace("\r", "\n").rstrip("\x1a")
    found = _CONTROL.search(text)
    if found:
        row = text.count("\n", 0, found.start()) + 1
        raise TableError(
            f"is not text (control character 0x{ord(found.group()):02x})",
            path=path,
            place=f"row {row:,}",
            remedy="Give a table in text form: CSV as UTF-8.",
        )
    if text.startswith("\ufeff"):
        text = text[1:]
    if _INVISIBLE_PATTERN.search(text):
        text = text.translate(_INVISIBLE)
        remarks.append("Invisible characters (zero-width or direction marks) were removed.")
    if encoding in ("cp1252", "latin-1"):
        remarks.append(
            "The file is not UTF-8 and was read as Windows-1252: look at accented letters in ids and codes."
        )
    if not text.strip():
        raise TableError("is empty", path=path, remedy="Export the table again.")
    return Decoded(text=text, encoding=encoding, byte_order_mark=marked, remarks=tuple(remarks))


def _encoding(raw: bytes) -> tuple[str, bool]:
    # UTF-32's little-endian mark begins with UTF-16's, so it is asked for first.
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF32_LE, "utf-32-le"),
        (codecs.BOM_UTF32_BE, "utf-32-be"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if raw.startswith(mark):
            return name, True
    head = raw[:8192]
    even, odd = head[0::2], head[1::2]
    # Digits and delimiters have a zero high byte in UTF-16; in no other encoding do zeros alternate.
    if odd and odd.count(0) > 0.4 * len(odd) and even.count(0) < 0.05 * len(even):
        return "utf-16-le", False
    if even.count(0) > 0.4 * len(even) and odd.count(0) < 0.05 * max(len(odd), 1):
        return "utf-16-be", False
    for name in ("utf-8", "cp1252"):
        try:
            raw.decode(name)
        except UnicodeDecodeError:
            continue
        return name, False
    return "latin-1", False


# --------------------------------------------------------------------------- text to records


def declared_delimiter(line: str) -> str | None:
    """The delimiter that a spreadsheet notes in a first line of its own, ``sep=;``; None where it is none."""
    found = re.fullmatch(r'"?sep=(.)"?', line.strip(" "), re.IGNORECASE)
    return None if found is None else found.group(1)


def cut(
    text: str, path: Path, *, header_roles: Callable[[tuple[str, ...]], int], width: int | None
) -> Records:
    """Cut text into records with the delimiter that makes most sense of it.

    Args:
        text: the table with ``\\n`` line ends.
        path: for messages.
        header_roles: how many required columns a row of headings names.
        width: the number of columns where the user has named them.
    """
    lines = text.split("\n")
    for number, line in enumerate(lines, start=1):
        if len(line) > MOST_LINE_CHARACTERS:
            raise TableError(
                f"the line is {len(line):,} characters long",
                path=path,
                place=f"row {number:,}",
                remedy="This does not look like a table of points; export it again with one point per line.",
            )
    declared = declared_delimiter(lines[0])
    if declared is not None:
        # A spreadsheet's own note on its delimiter; not part of the table, but a line of the file.
        lines[0] = ""
    choices: tuple[Delimiter, ...] = DELIMITERS
    if declared is not None:
        named = tuple(d for d in DELIMITERS if d.character == declared and not d.is_blanks)
        choices = named or DELIMITERS
    weights = {d.name: _plausibility(lines, d, header_roles, width) for d in choices}
    # Blanks also stand inside headings and numbers ("1 000.000"): where another sign cuts headings
    # and rows alike, they are not looked at.
    signs = tuple(d for d in choices if not d.is_blanks)
    blanks = [weights[d.name] for d in choices if d.is_blanks]
    most_numbers = max((weight.numbers for weight in blanks), default=0.0)
    if width is not None and any(
        weights[d.name].fills_width == 1.0 and weights[d.name].numbers > most_numbers for d in signs
    ):
        choices = signs
    if any(weights[d.name].finds_headings and weights[d.name].fits_headings >= 0.5 for d in signs):
        choices = signs
    best = max(choices, key=lambda d: weights[d.name])
    comments: list[Record] = []
    records = tuple(_records(lines, best, path, comments))
    return Records(delimiter=best, records=records, comments=tuple(comments))


class _Plausibility(NamedTuple):
    """What speaks for a delimiter, the strongest first; shares are of the rows sampled."""

    finds_headings: bool
    fits_headings: float
    """Rows with three numbers and no more cells than there are headings."""
    alike: float
    """Rows with three numbers and the usual number of cells."""
    alike_strictly: float
    """The same, counting only numbers without grouping, exponent or unit."""
    numbers: float
    """Numbers in the average row."""
    headings: int
    fills_width: float = 0.0
    """Rows with exactly as many cells as the user has named columns."""


def _plausibility(
    lines: list[str], delimiter: Delimiter, header_roles: Callable[[tuple[str, ...]], int], width: int | None
) -> _Plausibility:
    sample: list[Record] = []
    comments: list[Record] = []
    for record in _records(lines, delimiter, None, comments):
        sample.append(record)
        if len(sample) == SAMPLE_RECORDS:
            break
    head = max((*sample[:50], *comments[:50]), key=lambda r: header_roles(r.cells), default=None)
    roles = header_roles(head.cells) if head else 0
    if head and roles >= 3:
        # Rows may end early, where the last columns are empty; but they fit under their headings.
        width = width or len(head.cells)
        sample = [record for record in sample if record.row > head.row]
    if not sample:
        return _Plausibility(roles >= 3, 0.0, 0.0, 0.0, 0.0, roles)
    numbers = [sum(map(looks_numeric, record.cells)) for record in sample]
    loose = [count >= 3 for count in numbers]
    strict = [sum(map(strictly_numeric, record.cells)) >= 3 for record in sample]
    counts = Counter(len(record.cells) for record, good in zip(sample, loose, strict=True) if good)
    usual = max(counts, key=lambda n: counts[n], default=0)

    def share(good: list[bool], least: int, most: int) -> float:
        return sum(g and least <= len(r.cells) <= most for g, r in zip(good, sample, strict=True)) / len(
            sample
        )

    under_headings = share(loose, 3, width) if width else 0.0
    return _Plausibility(
        roles >= 3,
        under_headings,
        share(loose, usual, usual),
        share(strict, usual, usual),
        sum(numbers) / len(numbers),
        roles,
        share(loose, width, width) if width else 0.0,
    )


class _LineFeed:
    """Lines for csv: comments and blank lines are left out, but only between records."""

    def __init__(self, lines: list[str], delimiter: Delimiter) -> None:
        self.lines = lines
        self.prepare = delimiter.prepare
        self.marks = ("#", "//", "!") if delimiter.character == ";" else ("#", "//", "!", ";")
        self.next = 0
        self.start = 0
        self.between = True
        self.unclosed = False
        self.comments: list[tuple[int, str]] = []

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        while self.next < len(self.lines):
            line = self.lines[self.next]
            self.next += 1
            if self.between:
                bare = line.strip()
                if not bare:
                    continue
                if bare.startswith(self.marks):
                    self.comments.append((self.next, bare))
                    continue
                self.start = self.next
                self.between = False
            elif self.next - self.start > MOST_QUOTED_LINES:
                break
            return self.prepare(line) if self.prepare else line + "\n"
        self.unclosed = not self.between
        raise StopIteration


def _records(
    lines: list[str], delimiter: Delimiter, path: Path | None, comments: list[Record]
) -> Iterator[Record]:
    """Cut lines; with no path, faults end the records in silence (used to weigh delimiters)."""
    feed = _LineFeed(lines, delimiter)
    reader = csv.reader(feed, delimiter=delimiter.character, skipinitialspace=delimiter.character != "\t")
    while True:
        feed.between = True
        try:
            cells = next(reader, None)
        except csv.Error:
            cells, feed.unclosed = None, True
        if feed.unclosed:
            if path is None:
                return
            raise TableError(
                "a quotation mark opens a value and is never closed",
                path=path,
                place=f"row {feed.start:,}",
                remedy="Remove the quotation mark or close it.",
            )
        if cells is None:
            break
        _cut_comments(feed, delimiter, comments)
        cleaned = _trimmed(cells)
        if cleaned:
            yield Record(feed.start, cleaned, "\n".join(lines[feed.start - 1 : feed.next]))
    _cut_comments(feed, delimiter, comments)


def _cut_comments(feed: _LineFeed, delimiter: Delimiter, comments: list[Record]) -> None:
    """Move the comments met so far into ``comments``, cut like the records."""
    for row, text in feed.comments:
        bare = text.lstrip("#/! \t" + ";".replace(delimiter.character, ""))
        if bare.startswith(delimiter.character) and text.startswith("#"):
            bare = "#" + bare  # "#" is itself the first heading: the number's
        if delimiter.prepare:
            bare = delimiter.prepare(bare)
        cells = next(csv.reader([bare], delimiter=delimiter.character, skipinitialspace=True), [])
        comments.append(Record(row, _trimmed(cells), text))
    feed.comments.clear()


def _trimmed(cells: list[str]) -> tuple[str, ...]:
    """Cells without surrounding blanks, spreadsheet text guards and trailing empty cells."""
    cleaned = [cell.strip() for cell in cells]
    while cleaned and not cleaned[-1]:
        cleaned.pop()
    return tuple(unguarded(cell) if cell[:1] == "=" else cell for cell in cleaned)


def unguarded(cell: str) -> str:
    """``="0012"``, the way to keep a spreadsheet from reading text as a number, back to ``0012``."""
    guarded = re.fullmatch(r'=\s*"(.*)"', cell, re.DOTALL)
    return guarded.group(1).strip() if guarded else cell
