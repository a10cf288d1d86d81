"""A surveyor's PKCS#12 file -> the certificate and key to sign with. Before reporting/sign.py.

Nothing is fetched: the file is taken as it is, and refused where no valid signature could come of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from asn1crypto import pkcs12 as asn1_pkcs12
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, pkcs12

from accuracy.errors import SignatureError
from accuracy.reporting.sign_request import PassphraseSource

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes, PublicKeyTypes
    from pyhanko.sign.signers import SimpleSigner

_MAKE_ANEW = "Export certificate and private key together as a .p12 or .pfx file."


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """Who signs, as the certificate says it."""

    name: str
    subject: str
    issuer: str
    self_made: bool
    valid_from: datetime
    valid_until: datetime


def describe(certificate: x509.Certificate) -> Certificate:
    """A certificate in words; the name is the subject's common name, or the whole subject without one."""
    common = certificate.subject.get_attributes_for_oid(x509.NameOID.COMMON_NAME)
    subject = _in_words(certificate.subject)
    name = str(common[0].value).strip() if common else ""
    return Certificate(
        name=name or subject,
        subject=subject,
        issuer=_in_words(certificate.issuer),
        self_made=certificate.subject == certificate.issuer,
        valid_from=certificate.not_valid_before_utc,
        valid_until=certificate.not_valid_after_utc,
    )


def _in_words(name: x509.Name) -> str:
    """The parts of a name, the nearest first."""
    return ", ".join(str(part.value) for part in reversed(list(name)))


def load_signer(path: Path, passphrase: PassphraseSource, now: datetime) -> tuple[SimpleSigner, Certificate]:
    """The signer of a PKCS#12 file, and what its certificate says.

    Raises SignatureError for a file that is none, a wrong passphrase, a missing key or certificate, and
    a certificate that is not valid at ``now`` or not meant for signing.
    """
    from pyhanko.sign.signers import SimpleSigner

    data = _read(path)
    secret = _opens_with(data, passphrase, path)
    try:
        key, found, _ = pkcs12.load_key_and_certificates(data, secret)
    except ValueError as error:
        raise SignatureError(
            "the passphrase does not open the certificate",
            path=path,
            remedy="Give the passphrase that was chosen when the file was exported.",
        ) from error
    certificate = _checked(key, found, now, path)
    return SimpleSigner.load_pkcs12_data(data, other_certs=[], passphrase=secret), describe(certificate)


def _read(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise SignatureError(
            f"the certificate cannot be read: {error.strerror}", path=path, remedy="Name a .p12 or .pfx file."
        ) from error
    try:
        version = asn1_pkcs12.Pfx.load(data)["version"].native
    except (ValueError, TypeError):
        version = None
    if version != "v3":
        what = "is a PEM file" if data.lstrip().startswith(b"-----BEGIN") else "is no PKCS#12 file"
        raise SignatureError(f"the certificate {what}", path=path, remedy=_MAKE_ANEW)
    return data


def _opens_with(data: bytes, passphrase: PassphraseSource, path: Path) -> bytes | None:
    """The passphrase as bytes; the user is asked only where the file does not open without one."""
    for empty in (None, b""):
        try:
            pkcs12.load_key_and_certificates(data, empty)
        except (ValueError, TypeError):
            continue
        return empty
    given = passphrase()
    if given is None:
        raise SignatureError(
            "the certificate is protected by a passphrase, and none was given",
            path=path,
            remedy="Name a file that holds it with --passphrase-file, or set ACCURACY_PASSPHRASE.",
        )
    return given.encode("utf-8")


def _checked(
    key: PrivateKeyTypes | None, certificate: x509.Certificate | None, now: datetime, path: Path
) -> x509.Certificate:
    if key is None:
        raise SignatureError(
            "the file holds no private key, so nothing can be signed with it", path=path, remedy=_MAKE_ANEW
        )
    if certificate is None or _public(key.public_key()) != _public(certificate.public_key()):
        raise SignatureError("the file holds no certificate for its key", path=path, remedy=_MAKE_ANEW)
    if now > certificate.not_valid_after_utc:
        raise SignatureError(
            f"the certificate expired on {certificate.not_valid_after_utc:%Y-%m-%d}",
            path=path,
            remedy="Sign with a certificate that is valid today.",
        )
    if now < certificate.not_valid_before_utc:
        raise SignatureError(
            f"the certificate is not valid before {certificate.not_valid_before_utc:%Y-%m-%d}",
            path=path,
            remedy="Sign from that day on, or set this computer's clock right.",
        )
    if not _meant_for_signing(certificate):
        raise SignatureError(
            "the certificate is not meant for signing: its key usage allows no digital signature",
            path=path,
            remedy="Ask its issuer for a certificate for signing documents.",
        )
    return certificate


def _public(key: PublicKeyTypes) -> bytes:
    return key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)


def _meant_for_signing(certificate: x509.Certificate) -> bool:
    # RFC 5280, 4.2.1.3: where the extension is absent, every usage is allowed.
    try:
        usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    except x509.ExtensionNotFound:
        return True
    return usage.digital_signature or usage.content_commitment
