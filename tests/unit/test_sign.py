"""The digital signature: what is signed, how it is held against tampering, and what is refused.

The signed file is looked at from outside with pypdf; the certificates are made here with ``cryptography``.
Surveyor, reviewer and authority are invented.
"""

from __future__ import annotations

import hashlib
import io
import re
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pypdf
import pytest
from click.testing import CliRunner, Result
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    pkcs12,
)

from accuracy.cli import main
from accuracy.errors import RequestError, SignatureError
from accuracy.reporting import render
from accuracy.reporting.sign import sign_report
from accuracy.reporting.sign_reading import load_authorities, verify
from accuracy.reporting.sign_request import SignRequest

pytestmark = pytest.mark.skipif(
    not render.pdf_possible(), reason="the Pango library is not on this machine, so no PDF can be made"
)

NOW = datetime.now(UTC).replace(microsecond=0)
PASSPHRASE = "quay"  # noqa: S105
AUTHORITY_KEY = ec.generate_private_key(ec.SECP256R1())


def named(name: str) -> x509.Name:
    """A subject with that common name."""
    return x509.Name(
        [
            x509.NameAttribute(x509.NameOID.ORGANIZATION_NAME, "Survey office, Tern Quay"),
            x509.NameAttribute(x509.NameOID.COMMON_NAME, name),
        ]
    )


def certificate(
    name: str,
    key: Any,
    *,
    days: tuple[int, int] = (-1, 30),
    by_authority: bool = False,
    signing: bool = True,
    authority: bool = False,
) -> x509.Certificate:
    """A certificate valid from and until so many days from now."""
    builder = (
        x509.CertificateBuilder()
        .subject_name(named(name))
        .issuer_name(named("Quay Authority" if by_authority else name))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(NOW + timedelta(days=days[0]))
        .not_valid_after(NOW + timedelta(days=days[1]))
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(
            x509.KeyUsage(
                digital_signature=signing,
                content_commitment=signing,
                key_encipherment=not signing,
                data_encipherment=False,
                key_agreement=False,
                key_cert_sign=authority,
                crl_sign=False,
                encipher_only=False,
                decipher_only=False,
            ),
            critical=True,
        )
    )
    return builder.sign(AUTHORITY_KEY if by_authority else key, hashes.SHA256())


def p12(
    path: Path,
    name: str = "A. Surveyor",
    *,
    passphrase: str | None = PASSPHRASE,
    key: Any = None,
    **wanted: Any,
) -> Path:
    """A PKCS#12 file with key and certificate."""
    key = key or ec.generate_private_key(ec.SECP256R1())
    lock = NoEncryption() if passphrase is None else BestAvailableEncryption(passphrase.encode())
    path.write_bytes(
        pkcs12.serialize_key_and_certificates(b"mine", key, certificate(name, key, **wanted), None, lock)
    )
    return path


def run(*arguments: str | Path, **environment: str) -> Result:
    """The command, in process; no terminal to ask at."""
    return CliRunner().invoke(
        main, ["sign", *map(str, arguments)], env={"ACCURACY_PASSPHRASE": None, **environment}
    )


def sign(folder: Path, certificate_file: Path, **wanted: Any) -> Path:
    """Sign the folder's report as the command does."""
    request = {"report": folder / "report.pdf", "passphrase": lambda: PASSPHRASE, **wanted}
    return sign_report(SignRequest(certificate=certificate_file, **request), NOW).path


@pytest.fixture(scope="module")
def made(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result folder that ``accuracy check`` wrote for a small invented site."""
    site = make_site(tmp_path_factory.mktemp("site"), points=6)
    out = tmp_path_factory.mktemp("made") / "result"
    options = ["check", site.cloud, "--checkpoints", site.table, "--out", out, "--class", "5 cm", "--quiet"]
    done = CliRunner().invoke(main, [str(option) for option in options])
    assert (out / "report.pdf").is_file(), (done.output, done.exception)
    return out


@pytest.fixture
def result(made: Path, tmp_path: Path) -> Path:
    """A copy of report and record to work on."""
    folder = tmp_path / "result"
    folder.mkdir()
    for name in ("report.pdf", "result.json"):
        shutil.copy(made / name, folder / name)
    return folder


@pytest.fixture(scope="module")
def signed(made: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The report, signed once."""
    folder = tmp_path_factory.mktemp("signed")
    path = sign(made, p12(folder / "mine.p12"), out=folder / "signed.pdf")
    return path.read_bytes()


def test_the_command_signs_and_verifies(result: Path, tmp_path: Path) -> None:
    """From result folder to a signed report that a reader outside finds whole, and --verify calls intact."""
    mine = p12(tmp_path / "mine.p12", by_authority=True)
    (tmp_path / "phrase").write_text(PASSPHRASE + "\n")
    trusted = tmp_path / "authority.pem"
    trusted.write_bytes(
        certificate("Quay Authority", AUTHORITY_KEY, authority=True).public_bytes(Encoding.PEM)
    )
    before = (result / "report.pdf").read_bytes()
    done = run(
        *(result / "report.pdf", "--certificate", mine, "--passphrase-file", tmp_path / "phrase"),
        *("--reason", "Responsible", "--place", "Tern Quay", "--licence", "TQ 4711"),
    )
    assert done.exit_code == 0, done.output
    out = result / "report-signed.pdf"
    data = out.read_bytes()
    digest = hashlib.sha256((result / "result.json").read_bytes()).hexdigest()
    for word in (
        *("Verdict: Vertical: ", digest, "A. Surveyor", "issued by Quay Authority", "Drawn in the signature"),
        *(hashlib.sha256(data).hexdigest(), "local law to decide", str(out), "No time stamp"),
    ):
        assert word in done.stdout
    # From outside, with pypdf: the report's bytes come first, and the byte range covers all but the gap
    # in which the signature itself stands.
    assert data.startswith(before)
    assert (result / "report.pdf").read_bytes() == before
    field = pypdf.PdfReader(io.BytesIO(data)).trailer["/Root"]["/AcroForm"]["/Fields"][0].get_object()
    value = field["/V"]
    start, first, second, length = value["/ByteRange"]
    assert (start, second + length) == (0, len(data))
    assert re.fullmatch(rb"<[0-9a-fA-F]+>", data[first:second])
    assert value["/SubFilter"] == "/ETSI.CAdES.detached"
    assert (value["/Reason"], value["/Location"]) == ("Responsible", "Tern Quay")
    shown = run("--verify", out, "--trust", trusted)
    assert shown.exit_code == 0, shown.output
    for word in ("A. Surveyor", "by the signer's clock", "reason: Responsible", "Intact", "Trusted", digest):
        assert word in shown.stdout


def test_the_signature_stands_in_the_block(signed: bytes) -> None:
    """The drawing lies on the page that has the block, inside the block's lines, and says name and date."""
    reader = pypdf.PdfReader(io.BytesIO(signed))
    field = reader.trailer["/Root"]["/AcroForm"]["/Fields"][0].get_object()
    corners = [reader.named_destinations[name] for name in ("signature-place", "signature-place-end")]
    wanted = [corners[0].left, corners[1].top, corners[1].left, corners[0].top]
    assert [float(edge) for edge in field["/Rect"]] == pytest.approx(
        [float(edge) for edge in wanted], abs=0.51
    )
    page = reader.pages[reader.get_destination_page_number(corners[0])]
    assert field.indirect_reference in list(page["/Annots"])
    assert "Signed by the licensed professional" in page.extract_text()
    writer = pypdf.PdfWriter(clone_from=reader)
    writer.remove_annotations(None)
    drawing = writer.add_blank_page(600, 800)
    form = field["/AP"]["/N"]["/Resources"]["/XObject"]["/Drawing"]
    drawing[pypdf.generic.NameObject("/Contents")] = writer._add_object(form.clone(writer))
    drawing[pypdf.generic.NameObject("/Resources")] = form["/Resources"].clone(writer)
    said = drawing.extract_text()
    assert "A. Surveyor" in said
    assert f"{NOW:%Y-%m-%d}" in said


def test_one_changed_byte_is_found(signed: bytes, tmp_path: Path) -> None:
    """A byte flipped anywhere in the signed part, or added at the end, is never called intact."""
    gap = re.search(rb"/Contents <([0-9a-fA-F]+)>", signed)
    assert gap is not None
    path = tmp_path / "changed.pdf"
    path.write_bytes(signed)
    assert verify(path, None, NOW).in_order
    places = [
        7,
        *range(900, len(signed), len(signed) // 40),
        gap.start() - 30,
        gap.start(1) + 120,
        gap.end() + 9,
    ]
    for place in places:
        if gap.start(1) + 3000 < place < gap.end(1):
            continue  # zeros that fill up the room left for the signature say nothing
        changed = bytearray(signed)
        changed[place] ^= 1
        path.write_bytes(changed)
        assert run("--verify", path).exit_code in (2, 3), place
    for more in (b"\n", b"% note\n%%EOF\n"):
        path.write_bytes(signed + more)
        assert run("--verify", path).exit_code in (2, 3)


def test_a_page_changed_after_signing_is_found(signed: bytes, tmp_path: Path) -> None:
    """An update appended by another program, which leaves the signed bytes alone, is named a change."""
    writer = pypdf.PdfWriter(io.BytesIO(signed), incremental=True)
    writer.pages[0][pypdf.generic.NameObject("/Rotate")] = pypdf.generic.NumberObject(180)
    path = tmp_path / "turned.pdf"
    with path.open("wb") as file:
        writer.write(file)
    assert path.read_bytes().startswith(signed)
    shown = run("--verify", path)
    assert shown.exit_code == 3
    assert "CHANGED" in shown.stdout


def test_a_reviewer_adds_a_signature(result: Path, tmp_path: Path) -> None:
    """A second signature is refused without --add; with it both hold, and the first stays the drawn one."""
    first = sign(result, p12(tmp_path / "mine.p12"))
    reviewer = p12(tmp_path / "reviewer.p12", "B. Reviewer", key=rsa.generate_private_key(65537, 2048))
    with pytest.raises(SignatureError, match=r"signed already, by A\. Surveyor"):
        sign(result, reviewer, report=first, out=tmp_path / "both.pdf")
    done = run(
        first,
        "--certificate",
        reviewer,
        "--add",
        "--out",
        tmp_path / "both.pdf",
        ACCURACY_PASSPHRASE=PASSPHRASE,
    )
    assert done.exit_code == 0, done.output
    assert "the signature block is the first signer's" in done.stdout
    both = verify(tmp_path / "both.pdf", None, NOW)
    assert both.in_order
    said = "\n".join(both.sentences)
    assert "Signature 1 of 2: A. Surveyor" in said
    assert "only later signatures" in said
    assert "Signature 2 of 2: B. Reviewer" in said
    changed = tmp_path / "changed.pdf"
    changed.write_bytes(first.read_bytes() + b"\n")
    with pytest.raises(SignatureError, match=r"changed after A\. Surveyor signed it"):
        sign(result, reviewer, report=changed, out=tmp_path / "third.pdf", add=True)


@pytest.mark.parametrize(
    ("wanted", "phrase", "message"),
    [
        ({"days": (-30, -1)}, PASSPHRASE, "expired on "),
        ({"days": (1, 30)}, PASSPHRASE, "not valid before "),
        ({"signing": False}, PASSPHRASE, "not meant for signing"),
        ({}, "wrong", "passphrase does not open"),
        ({}, None, "protected by a passphrase, and none was given"),
    ],
)
def test_useless_certificates_are_refused(
    result: Path, tmp_path: Path, wanted: dict[str, Any], phrase: str | None, message: str
) -> None:
    """A certificate with which no valid signature can be made is refused, and nothing is written."""
    mine = p12(tmp_path / "mine.p12", **wanted)
    with pytest.raises(SignatureError, match=message):
        sign(result, mine, passphrase=lambda: phrase)
    assert sorted(path.name for path in result.iterdir()) == ["report.pdf", "result.json"]


def test_files_that_are_no_certificate_are_refused(result: Path, tmp_path: Path) -> None:
    """No file, no PKCS#12, PEM in its place, no key inside, a key without its certificate: each is named."""
    key = ec.generate_private_key(ec.SECP256R1())
    (tmp_path / "noise").write_bytes(b"0123456789" * 9)
    (tmp_path / "pem").write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    own = certificate("A. Surveyor", key)
    (tmp_path / "keyless").write_bytes(
        pkcs12.serialize_key_and_certificates(None, None, None, [own], NoEncryption())
    )
    (tmp_path / "bare").write_bytes(
        pkcs12.serialize_key_and_certificates(None, key, None, None, NoEncryption())
    )
    for name, message in (
        ("absent", "cannot be read"),
        ("noise", "is no PKCS#12 file"),
        ("pem", "is a PEM file"),
        ("keyless", "holds no private key"),
        ("bare", "holds no certificate for its key"),
    ):
        with pytest.raises(SignatureError, match=message):
            sign(result, tmp_path / name)


def test_reports_that_cannot_be_signed_are_refused(result: Path, tmp_path: Path) -> None:
    """A file that is missing, no PDF, damaged or encrypted is refused before the passphrase is asked for."""
    mine = p12(tmp_path / "mine.p12")
    (tmp_path / "text.pdf").write_text("no PDF")
    (tmp_path / "damaged.pdf").write_bytes((result / "report.pdf").read_bytes()[:5000])
    writer = pypdf.PdfWriter(clone_from=result / "report.pdf")
    writer.encrypt("secret", algorithm="AES-256")
    writer.write(tmp_path / "encrypted.pdf")

    def never() -> str:
        raise AssertionError

    for name, message in (
        ("absent.pdf", "cannot be read"),
        ("text.pdf", "is no PDF"),
        ("damaged.pdf", "damaged"),
        ("encrypted.pdf", "is encrypted"),
    ):
        with pytest.raises(SignatureError, match=message):
            sign(result, mine, report=tmp_path / name, passphrase=never)


def test_a_report_of_another_record_is_refused(result: Path, tmp_path: Path) -> None:
    """With another result.json beside it the report is not signed, and a signed one is not in order."""
    mine = p12(tmp_path / "mine.p12", passphrase=None)
    path = sign(result, mine)
    with (result / "result.json").open("a") as file:
        file.write(" ")
    with pytest.raises(SignatureError, match="not the one that the report was made from"):
        sign(result, mine, out=tmp_path / "again.pdf")
    assert run("--verify", path).exit_code == 3
    (result / "result.json").unlink()
    shown = run("--verify", path)
    assert shown.exit_code == 0
    assert "the two were not compared" in " ".join(shown.stdout.split())


def test_a_pdf_from_elsewhere_is_signed_unseen(tmp_path: Path) -> None:
    """Without a signature block of ours the signature is invisible, and the command says so."""
    writer = pypdf.PdfWriter()
    writer.add_blank_page(200, 200)
    writer.write(tmp_path / "other.pdf")
    mine = p12(tmp_path / "mine.p12", passphrase=None)
    done = run(tmp_path / "other.pdf", "--certificate", mine)
    assert done.exit_code == 0, done.output
    assert "The signature is invisible" in done.stdout
    assert "does not say which result.json" in done.stdout
    assert "made by its holder" in done.stdout
    assert verify(tmp_path / "other-signed.pdf", None, NOW).in_order


def test_nothing_is_overwritten(result: Path, tmp_path: Path) -> None:
    """A signed report that is there already stays as it is."""
    (result / "report-signed.pdf").write_bytes(b"kept")
    with pytest.raises(RequestError, match="never overwritten"):
        sign(result, p12(tmp_path / "mine.p12"))
    assert (result / "report-signed.pdf").read_bytes() == b"kept"


def test_strangers_and_unsigned_reports(signed: bytes, result: Path, tmp_path: Path) -> None:
    """A signer outside the named authorities is told apart; unsigned reports and empty lists are refused."""
    path = tmp_path / "signed.pdf"
    path.write_bytes(signed)
    trusted = tmp_path / "authority.pem"
    trusted.write_bytes(
        certificate("Quay Authority", AUTHORITY_KEY, authority=True).public_bytes(Encoding.PEM)
    )
    shown = run("--verify", path, "--trust", trusted)
    assert shown.exit_code == 3
    assert "Intact" in shown.stdout
    assert "NOT TRUSTED" in shown.stdout
    assert "not held against any authority" in run("--verify", path).stdout
    later = verify(path, None, NOW + timedelta(days=60))
    assert later.in_order
    assert "rests on the signer's clock alone" in "\n".join(later.sentences)
    with pytest.raises(SignatureError, match="bears no digital signature"):
        verify(result / "report.pdf", None, NOW)
    trusted.write_text("nobody")
    with pytest.raises(SignatureError, match="holds no certificate"):
        load_authorities(trusted)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ((), "no certificate is given"),
        (("--verify", "--reason", "x"), "--reason has no meaning"),
        (("--certificate", "a.p12", "--trust", "a.pem"), "--trust belongs to --verify"),
        (("--certificate", "mine.p12", "--passphrase-file", "absent"), "passphrase cannot be read"),
    ],
)
def test_contradictory_options_are_refused(
    result: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], message: str
) -> None:
    """Options that do not go together exit with 2 and one message."""
    monkeypatch.chdir(tmp_path)
    p12(tmp_path / "mine.p12")
    done = run(result / "report.pdf", *options)
    assert done.exit_code == 2
    assert message in done.stderr


def test_the_report_names_its_record(made: Path) -> None:
    """The PDF carries the whole SHA-256 of the record that it was made from."""
    metadata = pypdf.PdfReader(made / "report.pdf").metadata
    assert metadata is not None
    digest = hashlib.sha256((made / "result.json").read_bytes()).hexdigest()
    assert metadata["/Keywords"] == f"result.json SHA-256 {digest}"
