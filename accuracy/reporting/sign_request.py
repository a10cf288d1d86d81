"""The options of ``accuracy sign`` -> what is to be signed, and with what. Before reporting/sign.py."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from accuracy.errors import RequestError

PASSPHRASE_VARIABLE = "ACCURACY_PASSPHRASE"  # noqa: S105 - the name of it, not the phrase

PassphraseSource = Callable[[], str | None]
"""Asked once, and only where the file does not open without; None where there is none to be had."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignRequest:
    """What is to be signed, with what, and what the signature shall say."""

    report: Path
    certificate: Path
    passphrase: PassphraseSource
    out: Path | None = None
    reason: str | None = None
    place: str | None = None
    licence: str | None = None
    add: bool = False
    """Whether a report that bears a signature already may get a further one."""


def check_sign_options(given: Mapping[str, Any]) -> None:
    """Whether the options of ``sign`` ask for one thing. Raises RequestError where they do not."""
    names = ("certificate", "out", "reason", "place", "licence", "passphrase_file", "add")
    for_signing = [f"--{name.replace('_', '-')}" for name in names if given[name]]
    if given["verify"] and for_signing:
        raise RequestError(
            f"--verify signs nothing, so {for_signing[0]} has no meaning with it",
            remedy="Sign first, then verify the signed file.",
        )
    if not given["verify"] and given["certificate"] is None:
        raise RequestError(
            "no certificate is given to sign with",
            remedy="Name your .p12 file with --certificate, or ask with --verify who signed.",
        )
    if given["trust"] is not None and not given["verify"]:
        raise RequestError("--trust belongs to --verify", remedy="Sign without it.")


def passphrase(file: Path | None, ask: Callable[[], str | None]) -> str | None:
    """The passphrase of a certificate: from a file, else from the environment, else as ``ask`` gets it.

    Raises RequestError for a file that cannot be read.
    """
    if file is None:
        return os.environ.get(PASSPHRASE_VARIABLE) or ask()
    try:
        lines = file.read_text("utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise RequestError(
            "the passphrase cannot be read", path=file, remedy="Write it as text into the file's first line."
        ) from error
    return lines[0] if lines else ""
