"""A signed PDF -> who signed it, when, and whether it was changed since. Before reporting/sign.py.

Nothing is fetched: certificates are held against the authorities that the user names, and not asked
whether they were revoked. Nobody is trusted by default, not even the operating system's authorities.

Where the PDF library meets a damaged or hostile file, any exception may come out of its parsers; each such
place turns whatever comes into one refusal.
"""

from __future__ import annotations

import hashlib
import io
import logging
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from asn1crypto import x509 as asn1_x509
from cryptography import x509
from pyhanko.keys import load_certs_from_pemder_data
from pyhanko.pdf_utils.generic import IndirectObject, Reference, StreamObject, read_object
from pyhanko.pdf_utils.misc import PdfError
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.diff_analysis import ModificationLevel
from pyhanko.sign.validation import (
    EmbeddedPdfSignature,
    SignatureCoverageLevel,
    validate_pdf_signature,
)
from pyhanko.sign.validation.settings import KeyUsageConstraints
from pyhanko_certvalidator import ValidationContext

from accuracy.errors import SignatureError
from accuracy.record import RESULT_NAME
from accuracy.reporting import sign_words as words
from accuracy.reporting.sign_certificate import Certificate, describe

# What the library stumbles over is said by us, in our words; its log would say it twice.
for _name in ("pyhanko", "pyhanko_certvalidator"):
    logging.getLogger(_name).addHandler(logging.NullHandler())

_DIGEST = re.compile(r"SHA-256 ([0-9a-f]{64})")
# Certificates with either usage are in use for signing documents; RFC 5280, 4.2.1.3.
_USAGE = KeyUsageConstraints(key_usage={"digital_signature", "non_repudiation"}, match_all_key_usages=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """One signature of a PDF."""

    signer: Certificate
    at: datetime | None
    """By the signer's own clock."""
    reason: str | None
    genuine: bool
    """The signed bytes are as they were signed, by the key of this certificate."""
    extended: bool
    """Something was added after this signature that it allows: a further signature."""
    altered: bool
    """Something was added after this signature that it does not allow."""
    trusted: bool | None
    """None where it was held against no authority."""

    @property
    def intact(self) -> bool:
        """Whether the report still says what was signed."""
        return self.genuine and not self.altered


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What is to be said of a signed report, and whether all of it is as it should be."""

    sentences: tuple[str, ...]
    in_order: bool


class Reader(PdfFileReader):
    """Looks up an object of an object stream by the stream's index, which is read once.

    The library reads the whole index again for each object, which in a tagged report takes minutes. Where
    anything is unusual the library's own way is taken, with its own refusals.
    """

    def _get_object_from_stream(self, idnum: int, stmnum: int, idx: int) -> Any:
        try:
            data, first, index = self._object_stream(stmnum)
            if index[2 * idx] == idnum:
                content = io.BytesIO(data)
                content.seek(first + index[2 * idx + 1])
                found = read_object(content, Reference(idnum, 0, self))
                if not isinstance(found, (StreamObject, IndirectObject)):
                    return found
        except (PdfError, ValueError, IndexError, KeyError, TypeError):
            pass
        return super()._get_object_from_stream(idnum, stmnum, idx)  # type: ignore[no-untyped-call]

    def _object_stream(self, number: int) -> tuple[bytes, int, list[int]]:
        """Content, place of the first object, and object number and offset of each in turn."""
        if not hasattr(self, "_object_streams"):
            self._object_streams: dict[int, tuple[bytes, int, list[int]]] = {}
        if number not in self._object_streams:
            stream = self.get_object(Reference(number, 0, self))  # type: ignore[no-untyped-call]
            data, first, count = stream.data, int(stream["/First"]), int(stream["/N"])
            index = [int(word) for word in data[:first].split()[: 2 * count]]
            self._object_streams[number] = (data, first, index)
        return self._object_streams[number]


def open_pdf(path: Path) -> tuple[bytes, PdfFileReader]:
    """The bytes of a PDF and a reader of them.

    Raises SignatureError for a file that is missing, no PDF, damaged or encrypted.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise SignatureError(
            f"the report cannot be read: {error.strerror}",
            path=path,
            remedy="Name the report.pdf of a result folder.",
        ) from error
    # ISO 32000-1, Annex H.3: readers take a header anywhere in the first 1024 bytes.
    if b"%PDF-" not in data[:1024]:
        raise SignatureError("is no PDF", path=path, remedy="Name the report.pdf of a result folder.")
    try:
        reader = Reader(io.BytesIO(data))
        encrypted = reader.encrypted
        reader.root["/Pages"]["/Count"]
    except Exception as error:
        raise SignatureError(
            "the PDF is damaged", path=path, remedy="Take it from the original result folder again."
        ) from error
    if encrypted:
        raise SignatureError(
            "the PDF is encrypted", path=path, remedy="Sign the report as it was written, without a password."
        )
    return data, reader


def information(reader: PdfFileReader, key: str) -> str | None:
    """An entry of the PDF's own description, such as ``/Subject``."""
    try:
        found = reader.trailer_view["/Info"][key]
    except (PdfError, KeyError, TypeError):
        return None
    return str(found)


def record_sentence(path: Path, reader: PdfFileReader) -> tuple[str, bool]:
    """Whether the result.json beside a report is the one it was made from, in words.

    Returns the sentence, and False for a mismatch alone.
    """
    found = _DIGEST.search(information(reader, "/Keywords") or "")
    beside = path.parent / RESULT_NAME
    if found is None:
        return words.RECORD_NOT_NAMED, True
    if not beside.is_file():
        return words.RECORD_ABSENT.format(digest=found[1]), True
    try:
        digest = hashlib.sha256(beside.read_bytes()).hexdigest()
    except OSError as error:
        raise SignatureError(f"the record cannot be read: {error.strerror}", path=beside) from error
    if digest != found[1]:
        return words.RECORD_OTHER.format(path=beside, digest=digest[:16], made_from=found[1][:16]), False
    return words.RECORD_SAME.format(digest=digest), True


def load_authorities(path: Path) -> list[asn1_x509.Certificate]:
    """The certificates of a PEM or DER file. Raises SignatureError where there is none."""
    try:
        found = list(load_certs_from_pemder_data(path.read_bytes()))
        for one in found:
            one.public_key.native  # noqa: B018 - parsed lazily; a file that is no certificate fails here
    except OSError as error:
        raise SignatureError(
            f"the authorities cannot be read: {error.strerror}", path=path, remedy="Name a PEM file."
        ) from error
    except Exception as error:
        raise SignatureError(
            "holds no certificate that can be read",
            path=path,
            remedy="Name a PEM file with the certificates of the authorities that you trust.",
        ) from error
    if not found:
        raise SignatureError(
            "holds no certificate", path=path, remedy="Name a PEM file with the authorities that you trust."
        )
    return found


def signatures(
    path: Path, reader: PdfFileReader, authorities: Sequence[asn1_x509.Certificate] | None = None
) -> tuple[Signature, ...]:
    """Every signature of a PDF, in the order of signing. Raises SignatureError where one is unreadable."""
    try:
        embedded = list(reader.embedded_regular_signatures)
        return tuple(
            _signature(one, authorities, last=number == len(embedded))
            for number, one in enumerate(embedded, start=1)
        )
    except Exception as error:
        raise SignatureError(
            "a signature cannot be read",
            path=path,
            remedy="The file was damaged or changed after signing; ask the signer for it again.",
        ) from error


def _signature(
    embedded: EmbeddedPdfSignature, authorities: Sequence[asn1_x509.Certificate] | None, *, last: bool
) -> Signature:
    at = embedded.self_reported_timestamp
    if at is not None and at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    context = ValidationContext(
        trust_roots=list(authorities or ()),
        other_certs=embedded.other_embedded_certs,
        moment=at,
        allow_fetching=False,
    )
    status = validate_pdf_signature(embedded, context, key_usage_settings=_USAGE)
    genuine = status.intact and status.valid
    level = status.modification_level
    whole = status.coverage is SignatureCoverageLevel.ENTIRE_FILE
    # Proofs of validity may come later. So may a further signature, but only it accounts for form filling
    # and for bytes after the end; after the last signature nothing does.
    allowed = {ModificationLevel.LTA_UPDATES}
    if not last:
        allowed |= {ModificationLevel.NONE, ModificationLevel.FORM_FILLING}
    grown = status.coverage is SignatureCoverageLevel.ENTIRE_REVISION and level in allowed
    altered = not (whole or grown) or not status.docmdp_ok
    reason = embedded.sig_object.get("/Reason")
    return Signature(
        signer=describe(x509.load_der_x509_certificate(embedded.signer_cert.dump())),
        at=at,
        reason=None if reason is None else str(reason),
        genuine=genuine,
        extended=grown and not altered,
        altered=altered,
        trusted=None if authorities is None else status.trusted,
    )


def verify(path: Path, trust: Path | None, now: datetime) -> Verified:
    """Say of a signed report who signed it and when, whether it was changed since, and who vouches for that.

    Raises SignatureError for a file that is no PDF, damaged, encrypted or not signed.
    """
    authorities = None if trust is None else load_authorities(trust)
    data, reader = open_pdf(path)
    found = signatures(path, reader, authorities)
    if not found:
        raise SignatureError("bears no digital signature", path=path, remedy="Sign it with --certificate.")
    said = [f"Report: {information(reader, '/Title') or path.name}"]
    verdict = information(reader, "/Subject")
    if verdict:
        said.append(f"Verdict: {verdict}")
    record, belongs = record_sentence(path, reader)
    said.append(record)
    for number, one in enumerate(found, start=1):
        said += _spoken(one, number, len(found), trust, now)
    said += [words.NO_TIME_STAMP, f"SHA-256 of the file: {hashlib.sha256(data).hexdigest()}"]
    in_order = belongs and all(one.intact and one.trusted is not False for one in found)
    return Verified(sentences=tuple(said), in_order=in_order)


def _spoken(one: Signature, number: int, count: int, trust: Path | None, now: datetime) -> list[str]:
    which = "Signature" if count == 1 else f"Signature {number} of {count}"
    when = (
        "at an unknown time"
        if one.at is None
        else f"{one.at.isoformat(' ', 'minutes')} by the signer's clock"
    )
    said = [f"{which}: {one.signer.name}, {when}" + (f", reason: {one.reason}" if one.reason else "") + "."]
    if not one.genuine:
        said.append(words.SIGNATURE_BROKEN)
    elif one.altered:
        said.append(words.SIGNATURE_ALTERED)
    elif one.extended:
        said.append(words.SIGNATURE_EXTENDED)
    else:
        said.append(words.SIGNATURE_INTACT)
    said.append(certificate_sentence(one.signer))
    if one.trusted is None:
        said.append(words.TRUST_NOT_HELD)
    else:
        said.append((words.TRUSTED if one.trusted else words.NOT_TRUSTED).format(path=trust))
    if now > one.signer.valid_until:
        said.append(words.EXPIRED_SINCE.format(date=f"{one.signer.valid_until:%Y-%m-%d}"))
    return said


def certificate_sentence(certificate: Certificate) -> str:
    """Subject, issuer and validity of a certificate."""
    issuer = (
        "made by its holder, not by an authority"
        if certificate.self_made
        else f"issued by {certificate.issuer}"
    )
    return (
        f"Certificate: {certificate.subject}; {issuer}; valid from {certificate.valid_from:%Y-%m-%d} "
        f"to {certificate.valid_until:%Y-%m-%d}."
    )
