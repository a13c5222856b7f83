"""XML signatures of certificates: intact is told apart from trusted. Keys are made by the test."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID
from lxml import etree
from sample_certificates import certificate
from signxml.algorithms import SignatureMethod
from signxml.signer import XMLSigner

from pipeline.certificates.reading import read_certificate
from pipeline.certificates.signing import judge_signature, signers_of
from pipeline.errors import UsageError

ISSUED = date(2026, 2, 11)
Signer = tuple[ec.EllipticCurvePrivateKey, x509.Certificate]


def signer(name: str, issuer: Signer | None = None, *, until: date = date(2028, 1, 1)) -> Signer:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    by_key, by_name = (key, subject) if issuer is None else (issuer[0], issuer[1].subject)
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(by_name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(datetime(2025, 1, 1, tzinfo=UTC))
        .not_valid_after(datetime.combine(until, datetime.min.time(), UTC))
        .sign(by_key, hashes.SHA256())
    )
    return key, made


@pytest.fixture(scope="module")
def laboratory() -> Signer:
    return signer("Tveldal Laboratory")


def signed(by: Signer, data: bytes | None = None) -> bytes:
    key, made = by
    root = XMLSigner(signature_algorithm=SignatureMethod.ECDSA_SHA256).sign(
        etree.fromstring(data or certificate()),
        key=key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()),
        cert=[made],
    )
    return bytes(etree.tostring(root, xml_declaration=True, encoding="UTF-8"))


def judged(data: bytes, *trusted: Signer, signatures: int = 1) -> Any:
    return judge_signature(data, signatures, [one[1] for one in trusted], signed_by=ISSUED)


def test_an_intact_signature_is_trusted_only_where_the_site_laid_the_signer_down(laboratory: Signer) -> None:
    data = signed(laboratory)
    found = read_certificate(data, where="c.xml")
    assert (found.signatures, found.held_against) == (1, "3.2.1")
    assert (judged(data, laboratory).intact, judged(data, laboratory).trusted) == (True, True)
    stranger = signer("Tveldal Laboratory")  # the same name, another key
    assert (judged(data, stranger).intact, judged(data, stranger).trusted) == (True, False)
    assert (judged(data).intact, judged(data).trusted, judged(data).signer) == (True, False, "CN=Tveldal Laboratory")


def test_who_issued_the_signer_can_vouch_for_it() -> None:
    authority = signer("Authority")
    data = signed(signer("Lab", authority))
    assert judged(data, authority).trusted
    assert not judged(data, signer("Authority")).trusted


@pytest.mark.parametrize("change", [(b"58.120", b"58.121"), (b"0.15", b"0.14"), (b"2028-02-10", b"2029-02-10")])
def test_a_change_after_signing_is_found(laboratory: Signer, change: tuple[bytes, bytes]) -> None:
    data = signed(laboratory)
    assert change[0] in data
    found = judged(data.replace(change[0], change[1], 1), laboratory)
    assert (found.intact, found.trusted) == (False, False)
    assert found.problem


def test_a_signer_out_of_date_on_the_day_of_issue_does_not_count() -> None:
    for until, intact in ((ISSUED + timedelta(days=1), True), (ISSUED, False)):
        by = signer("Lab", until=until)
        assert judged(signed(by), by).intact == intact


def test_two_signatures_are_not_taken_for_one(laboratory: Signer) -> None:
    assert not judged(signed(laboratory), laboratory, signatures=2).intact


def test_a_signature_of_a_part_does_not_sign_the_certificate(laboratory: Signer) -> None:
    key, made = laboratory
    root = etree.fromstring(certificate())
    item = next(root.iter("{https://ptb.de/dcc}item"))
    item.set("id", "part")
    placeholder = etree.SubElement(
        root, "{http://www.w3.org/2000/09/xmldsig#}Signature", nsmap={"ds": "http://www.w3.org/2000/09/xmldsig#"}
    )
    placeholder.set("Id", "placeholder")
    pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    done = XMLSigner(signature_algorithm=SignatureMethod.ECDSA_SHA256).sign(
        root, key=pem, cert=[made], reference_uri="part", id_attribute="id"
    )
    found = judged(bytes(etree.tostring(done)), laboratory)
    assert (found.intact, found.trusted) == (False, False)


def test_a_file_that_is_no_signer_is_named() -> None:
    with pytest.raises(UsageError, match=r"trust/lab.pem"):
        signers_of({"trust/lab.pem": b"no certificate"})
