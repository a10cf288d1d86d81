"""The one family of errors: what is wrong, where it is, and what to do about it.

Inner code raises these with the reason; the command line alone prints them and turns them
into an exit status. An error's words are for a surveyor at a desk, not for a programmer.
"""

from __future__ import annotations

from pathlib import Path

EXIT_DONE = 0
EXIT_UNUSABLE = 2
EXIT_NOT_MET = 3
EXIT_NOT_INTACT = 3  # of a signature: the report was changed, or a demand on it is not met
EXIT_NOT_ENOUGH_EVIDENCE = 4
# 1 stays unassigned: a Python crash exits with 1 and must never read as a verdict.


class AccuracyError(Exception):
    """Input or a request that cannot be used.

    Args:
        what: the fault, with the offending value, as one sentence without a full stop at the end.
        path: the file in which it stands, if it stands in one.
        place: the row and column, byte, record or key inside the file, e.g. ``row 14, column height``.
        remedy: what the surveyor can do about it, as one sentence.
    """

    exit_code = EXIT_UNUSABLE

    def __init__(
        self,
        what: str,
        *,
        path: str | Path | None = None,
        place: str | None = None,
        remedy: str | None = None,
    ) -> None:
        super().__init__(what)
        self.what = what
        self.path = None if path is None else Path(path)
        self.place = place
        self.remedy = remedy

    def __str__(self) -> str:
        where = ", ".join(part for part in (self.path and str(self.path), self.place) if part)
        text = f"{where}: {self.what}" if where else self.what
        if not text.endswith((".", "?", "!")):
            text += "."
        return f"{text} {self.remedy}" if self.remedy else text


class CloudError(AccuracyError):
    """A point cloud file that is damaged, empty, contradictory or not a cloud at all."""


class TableError(AccuracyError):
    """A checkpoint table that cannot be read as one."""


class TrajectoryError(AccuracyError):
    """A trajectory file that cannot be read as one, or that cannot be compared."""


class FrameError(AccuracyError):
    """Units, coordinate systems or vertical datums that are missing, wrong or contradictory."""


class JobError(AccuracyError):
    """A job file with a missing, unknown or impossible entry."""


class RecordError(AccuracyError):
    """A result folder that is missing, damaged or written by an unknown version."""


class OutputError(AccuracyError):
    """A file or folder that cannot be written."""


class SignatureError(AccuracyError):
    """A report, certificate or passphrase with which nothing can be signed, or a signature not readable."""


class RequestError(AccuracyError):
    """Options that contradict each other or ask for what does not exist."""
