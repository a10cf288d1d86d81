"""The sentences of ``accuracy sign``. Before reporting/sign.py."""

from __future__ import annotations

RECORD_SAME = "Record: result.json beside the report is the one that it was made from (SHA-256 {digest})."
RECORD_OTHER = (
    "Record: {path} is not the one that the report was made from (its SHA-256 begins with {digest}, that of "
    "the report's record with {made_from})."
)
RECORD_ABSENT = (
    "Record: the report was made from a result.json with SHA-256 {digest}, which does not lie beside it; the "
    "two were not compared."
)
RECORD_NOT_NAMED = (
    "Record: the PDF does not say which result.json it was made from, so it was held against none."
)
SIGNATURE_INTACT = "Intact: the file is as it was signed."
SIGNATURE_EXTENDED = (
    "Intact: what was signed is unchanged; only later signatures or proofs of their validity were added."
)
SIGNATURE_ALTERED = "CHANGED: the signed part is genuine, but something was added that is no later signature."
SIGNATURE_BROKEN = "CHANGED OR INVALID: the file is not what this certificate's key signed."
TRUST_NOT_HELD = "Who the signer is was not held against any authority; name yours with --trust."
TRUSTED = "Trusted: the certificate leads to one in {path}. Whether it was revoked was not asked."
NOT_TRUSTED = "NOT TRUSTED: the certificate leads to none in {path}, or was not valid when it signed."
EXPIRED_SINCE = (
    "The certificate has expired on {date}; that it signed before rests on the signer's clock alone."
)
NO_TIME_STAMP = "No time stamp authority was asked: every time is that of the signer's own clock."
DRAWN = "Drawn in the signature block on page {page}."
NOT_DRAWN_NO_PLACE = "The signature is invisible: this PDF has no signature block of ours to draw it in."
NOT_DRAWN_TAKEN = "The signature is invisible: the signature block is the first signer's."
NOT_DRAWN_NO_PANGO = (
    "The signature is invisible: drawing it needs the Pango library, which this machine lacks."
)
SELF_MADE_CAUTION = (
    "The certificate was made by its holder. Whether such a signature satisfies the licensing board is for "
    "local law to decide, not for this program."
)
BOARD_CAUTION = (
    "Whether this signature satisfies the licensing board is for local law to decide, not for this program."
)
