"""report.pdf + the surveyor's certificate -> report-signed.pdf. After the report is written.

The signature (PAdES baseline B-B, ETSI EN 319 142-1) is appended to the file; the report's own bytes stay
as they are. Nothing is fetched: there is no time stamp, and the time is that of this computer's clock.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.fields import SigFieldSpec, SigSeedSubFilter, enumerate_sig_fields
from pyhanko.sign.signers import PdfSignatureMetadata, PdfSigner, SimpleSigner
from pyhanko.sign.signers.pdf_signer import PdfSigningSession
from pyhanko.stamp import StaticStampStyle

from accuracy.errors import RequestError, SignatureError
from accuracy.files import write_atomically
from accuracy.reporting import sign_words as words
from accuracy.reporting.sign_certificate import Certificate, load_signer
from accuracy.reporting.sign_place import Place, drawn, find_place
from accuracy.reporting.sign_reading import (
    Reader,
    Signature,
    certificate_sentence,
    information,
    open_pdf,
    record_sentence,
    signatures,
)
from accuracy.reporting.sign_request import SignRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """The signed file, and in sentences what was signed by whom."""

    path: Path
    sentences: tuple[str, ...]


def sign_report(request: SignRequest, now: datetime) -> Signed:
    """Sign a report and write the signed copy, whole or not at all.

    Args:
        request: what to sign, and with what.
        now: the time of signing, with its zone.

    Raises SignatureError for a report or certificate that cannot be used, and RequestError for an
    output that exists already.
    """
    out = request.out or request.report.with_name(f"{request.report.stem}-signed.pdf")
    if out.exists():
        raise RequestError(
            "exists already, and a signed report is never overwritten",
            path=out,
            remedy="Name another file with --out.",
        )
    data, reader = open_pdf(request.report)
    earlier = signatures(request.report, reader)
    _check_earlier(earlier, request)
    record, belongs = record_sentence(request.report, reader)
    if not belongs:
        raise SignatureError(
            record.removeprefix("Record: "),
            path=request.report,
            remedy="Write report and record anew together, or sign the report in its own result folder.",
        )
    signer, certificate = load_signer(request.certificate, request.passphrase, now)
    place, style, how = _appearance(request, reader, certificate, now, earlier)
    signed = _signed(data, request, signer, place, style, now)
    _check_own_work(data, signed, len(earlier) + 1, request.report)
    write_atomically(out, signed)
    caution = words.SELF_MADE_CAUTION if certificate.self_made else words.BOARD_CAUTION
    sentences = (
        f"Report: {information(reader, '/Title') or request.report.name}",
        f"Verdict: {information(reader, '/Subject') or 'the PDF states none'}",
        record,
        f"Signed by {certificate.name}, {now.isoformat(' ', 'minutes')} by this computer's clock.",
        certificate_sentence(certificate),
        how,
        words.NO_TIME_STAMP,
        caution,
        f"SHA-256 of the signed file: {hashlib.sha256(signed).hexdigest()}",
    )
    return Signed(path=out, sentences=sentences)


def _check_earlier(earlier: tuple[Signature, ...], request: SignRequest) -> None:
    if not earlier:
        return
    broken = next((one for one in earlier if not one.intact), None)
    if broken is not None:
        raise SignatureError(
            f"the report was changed after {broken.signer.name} signed it",
            path=request.report,
            remedy="Sign the report as it was written.",
        )
    if not request.add:
        raise SignatureError(
            f"the report is signed already, by {', '.join(one.signer.name for one in earlier)}",
            path=request.report,
            remedy="With --add yours is added, and the earlier signature stays valid.",
        )


def _appearance(
    request: SignRequest,
    reader: PdfFileReader,
    certificate: Certificate,
    now: datetime,
    earlier: tuple[Signature, ...],
) -> tuple[Place | None, StaticStampStyle | None, str]:
    """Where and how the signature is drawn, and in words whether it is."""
    if earlier:
        return None, None, words.NOT_DRAWN_TAKEN
    place = find_place(reader)
    if place is None:
        return None, None, words.NOT_DRAWN_NO_PLACE
    sentences = [
        f"Digitally signed {now.isoformat(' ', 'minutes')}" + (f", {request.place}" if request.place else "")
    ]
    if request.reason:
        sentences.append(request.reason)
    try:
        style = drawn(place, name=certificate.name, licence=request.licence, sentences=sentences, at=now)
    except OSError:
        return None, None, words.NOT_DRAWN_NO_PANGO
    return place, style, words.DRAWN.format(page=place.page + 1)


class _SignerAt(PdfSigner):
    """Signs at a time that is given, so that what is drawn and what is signed name the same one."""

    at: datetime

    def init_signing_session(self, *given: Any, **named: Any) -> PdfSigningSession:
        session = super().init_signing_session(*given, **named)
        session.system_time = self.at
        return session


def _signed(
    data: bytes,
    request: SignRequest,
    signer: SimpleSigner,
    place: Place | None,
    style: StaticStampStyle | None,
    now: datetime,
) -> bytes:
    try:
        writer = IncrementalPdfFileWriter(io.BytesIO(data))
        taken = {name for name, _, _ in enumerate_sig_fields(writer.prev)}
        field = next(name for n in range(1, len(taken) + 2) if (name := f"Signature{n}") not in taken)
        metadata = PdfSignatureMetadata(
            field_name=field,
            reason=request.reason,
            location=request.place,
            subfilter=SigSeedSubFilter.PADES,
        )
        spec = SigFieldSpec(
            field,
            on_page=0 if place is None else place.page,
            box=None if place is None else place.box,
            readable_field_name="Digital signature",
        )
        maker = _SignerAt(metadata, signer, stamp_style=style, new_field_spec=spec)
        maker.at = now
        output = io.BytesIO()
        maker.sign_pdf(writer, output=output)
    except Exception as error:
        raise SignatureError(
            "it cannot be signed with this certificate",
            path=request.report,
            remedy="Try a certificate with an RSA or elliptic-curve key, and the report as it was written.",
        ) from error
    return output.getvalue()


def _check_own_work(report: bytes, signed: bytes, count: int, path: Path) -> None:
    """Hold the signed file against the report before anything is written."""
    found = signatures(path, Reader(io.BytesIO(signed)))
    if signed[: len(report)] != report or len(found) != count or not all(one.intact for one in found):
        raise SignatureError("the signature does not hold when it is read back", path=path)
