"""Files that are written: whole or not at all, and only where they can be. Below all that writes any."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from accuracy.errors import OutputError

_WHY = {
    errno.EACCES: "writing is not allowed here",
    errno.EPERM: "writing is not allowed here",
    errno.EROFS: "the disk can only be read",
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the space allowed to you is used up",
    errno.EFBIG: "the file would be larger than this disk or your limits allow",
    errno.ENAMETOOLONG: "the name is too long",
}
_MORE_SPACE = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_PROBE_BYTES = 4096


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turn what the system says of a file that it does not write into an OutputError."""
    try:
        yield
    except OSError as error:
        more_space = error.errno in _MORE_SPACE
        why = _WHY.get(error.errno or 0) or error.strerror or str(error)
        raise OutputError(
            f"cannot be written: {why}",
            path=path,
            remedy="Free some space, or name a folder on another disk."
            if more_space
            else "Name another folder, or allow writing to this one.",
        ) from error


def check_folder(folder: Path) -> None:
    """Refuse a folder into which nothing can be written, before any work is done; leave it as it was.

    Raises OutputError.
    """
    with writing(folder):
        standing = next(path for path in (folder, *folder.absolute().parents) if path.exists())
        if not standing.is_dir():
            raise OutputError("is a file, not a folder", path=standing, remedy="Name another folder.")
        with tempfile.TemporaryDirectory(prefix=".writing-", dir=standing) as probe:
            (Path(probe) / "probe").write_bytes(bytes(_PROBE_BYTES))


def write_atomically(path: Path, content: bytes) -> None:
    """Write beside ``path`` and move into place, so that no half-written file is ever seen.

    Raises OutputError.
    """
    with writing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_name(f".{path.name}.writing")
        try:
            beside.write_bytes(content)
            os.replace(beside, path)  # noqa: PTH105 - atomic on every system, as Path.replace is
        finally:
            beside.unlink(missing_ok=True)


@contextmanager
def written_together(folder: Path, *, ours: Callable[[str], bool], last: str) -> Iterator[Path]:
    """A folder to write into, whose files then move into ``folder`` together; or none of them does.

    Files there whose names are ``ours`` are an earlier run's: those that were not written anew are
    taken away. ``last`` is taken away first and moved last, so a folder that holds it is complete.
    Raises OutputError.
    """
    with writing(folder):
        made = [path for path in (folder, *folder.absolute().parents) if not path.exists()]
        folder.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=".writing-", dir=folder))
        try:
            yield staging
            written = sorted((path.name for path in staging.iterdir()), key=lambda name: (name == last, name))
            (folder / last).unlink(missing_ok=True)
            for path in sorted(folder.iterdir()):
                if ours(path.name) and path.name not in written:
                    path.unlink()
            for name in written:
                os.replace(staging / name, folder / name)  # noqa: PTH105 - atomic, as Path.replace is
        except OutputError as error:
            if error.path is None or error.path.parent != staging:
                raise
            # The folder beside it is ours alone: what is missing is missing in the folder asked for.
            raise OutputError(error.what, path=folder / error.path.name, remedy=error.remedy) from error
        finally:
            shutil.rmtree(staging, ignore_errors=True)
            for path in made:
                if path.exists() and not any(path.iterdir()):
                    path.rmdir()
