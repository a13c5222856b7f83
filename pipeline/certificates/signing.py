"""XML signatures of certificates: whether one is intact, and whether the site laid down who may sign.

A signature that is intact says that nothing was changed since it was made; who made it is known only where the site
itself keeps the certificate of the signer, or of who issued that. What travels inside the file vouches for nothing.
"""

from __future__ import annotations

import warnings
from dataclasses import replace
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from lxml import etree
from signxml.exceptions import SignXMLException
from signxml.verifier import SignatureConfiguration, XMLVerifier

from pipeline.certificates.document import Signature
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date

__all__ = ["judge_signature", "signers_of"]

_ROOT = "{https://ptb.de/dcc}digitalCalibrationCertificate"
_X509 = ".//{http://www.w3.org/2000/09/xmldsig#}X509Certificate"


def signers_of(files: Mapping[str, bytes]) -> list[x509.Certificate]:
    """Read the certificates that a site trusts.

    Parameters
    ----------
    files
        PEM by name of the file.

    Raises
    ------
    UsageError
        Names a file that holds none.
    """
    found = []
    for name, data in files.items():
        try:
            found += x509.load_pem_x509_certificates(data)
        except ValueError:
            raise UsageError(
                f"{name} holds no certificate of a signer (PEM). Remove it, or put the right file there."
            ) from None
    return found


def judge_signature(data: bytes, signatures: int, trusted: Iterable[x509.Certificate], *, signed_by: date) -> Signature:
    """Return what can be said of the XML signature of a certificate.

    Parameters
    ----------
    data
        The file as it came; `read_certificate` has looked at it before.
    signatures
        How many signatures it carries; at least one.
    trusted
        From :func:`signers_of`.
    signed_by
        The day of issue: the signer's certificate must be valid then, for it may have run out since.

    Returns
    -------
    Signature
        `trusted` only where the signer's certificate is one of `trusted` or issued by one of them.
    """
    if signatures != 1:
        return Signature(
            intact=False, signer=None, trusted=False, problem=f"it carries {signatures} signatures; one is looked at"
        )
    known = list(trusted)
    root = etree.fromstring(data, etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False))
    inside = root.findtext(_X509)
    signer = None
    try:
        if inside is not None:
            pem = f"-----BEGIN CERTIFICATE-----\n{''.join(inside.split())}\n-----END CERTIFICATE-----\n"
            candidates = [x509.load_pem_x509_certificate(pem.encode())]
        else:
            candidates = known
        problem = "it names no certificate of its signer, and none of those in trust/ fits"
        for signer in candidates:
            found = _problem(data, signer, signed_by)
            if found is None:
                return Signature(intact=True, signer=signer.subject.rfc4514_string(), trusted=_vouched(signer, known))
            problem = found
    except ValueError as error:
        problem = f"the certificate of its signer cannot be read: {error}"
    return Signature(
        intact=False, signer=None if signer is None else signer.subject.rfc4514_string(), trusted=False, problem=problem
    )


def _problem(data: bytes, signer: x509.Certificate, day: date) -> str | None:
    moment = datetime.combine(day, time(12), UTC)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of the library, on forms of signatures that it accepts all the same
            result = XMLVerifier().verify(
                data, x509_cert=signer, expect_config=replace(SignatureConfiguration(), verification_time=moment)
            )
    except (SignXMLException, ValueError) as error:
        return str(error).split("\n", 1)[0]
    signed = getattr(result, "signed_xml", None)
    return None if signed is not None and signed.tag == _ROOT else "it signs a part of the certificate, not the whole"


def _vouched(signer: x509.Certificate, trusted: Iterable[x509.Certificate]) -> bool:
    for one in trusted:
        if one == signer:
            return True
        try:
            signer.verify_directly_issued_by(one)
        except (ValueError, TypeError, InvalidSignature):
            continue
        return True
    return False
