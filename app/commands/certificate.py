"""A certificate of the house's own, for serving a shop's network with TLS.

The authority that signs it signs nothing else: its key is never written. A device that trusts the authority's
certificate therefore trusts this house, by these names, and nobody else.
"""

import ipaddress
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from app.errors import BitternError
from app.ledger.store.private_files import write_new_file

# Phones refuse a certificate of more than 825 days, though its authority was put in by hand (from memory).
DAYS = 820
_MOST_NAMES = 20


@dataclass(frozen=True, slots=True)
class Written:
    """The files: `certificate` and `key` for the server, `authority` for each device that is to trust it."""

    certificate: Path
    key: Path
    authority: Path
    until: datetime


def write_certificate(certificate: Path, key: Path, names: Sequence[str], now: datetime) -> Written:
    """Make a key and a certificate for the names (host names and addresses), signed by an authority of its own.

    Files that stand there are exchanged. Raises BitternError on field "name" or "folder".
    """
    alternatives = [_general_name(name) for name in names]
    if not 1 <= len(alternatives) <= _MOST_NAMES:
        raise BitternError("name", f"Give 1 to {_MOST_NAMES} names: --name shop.example --name 192.168.1.20")
    # An address is constrained as a network of one.
    constraints = [
        x509.IPAddress(ipaddress.ip_network(str(one.value))) if isinstance(one, x509.IPAddress) else one
        for one in alternatives
    ]
    until = now + timedelta(days=DAYS)
    authority_key, house_key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    issuer = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"Bittern at {names[0][:40]}, made {now:%Y-%m-%d}")])
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, names[0][:60])])
    authority = (
        _about(issuer, issuer, authority_key.public_key(), now, until)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.NameConstraints(constraints, None), critical=True)
        .sign(authority_key, hashes.SHA256())
    )
    house = (
        _about(subject, issuer, house_key.public_key(), now, until)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()), critical=False)
        .sign(authority_key, hashes.SHA256())
    )
    private = house_key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    trusted = certificate.with_name(f"{certificate.stem}-authority.crt")
    chain = house.public_bytes(Encoding.PEM) + authority.public_bytes(Encoding.PEM)
    _write(key, private, 0o600)
    _write(certificate, chain, 0o644)
    _write(trusted, authority.public_bytes(Encoding.PEM), 0o644)
    return Written(certificate, key, trusted, until)


def names_in(certificate: Path) -> tuple[str, ...]:
    """The host names and addresses that a certificate is for. BitternError where it cannot be read."""
    try:
        found = _read(certificate).extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return ()
    return (
        *found.get_values_for_type(x509.DNSName),
        *(str(address) for address in found.get_values_for_type(x509.IPAddress)),
    )


def certificate_days_left(certificate: Path, now: datetime) -> int:
    """How many days the certificate is still good; below 0 where it has run out."""
    return (_read(certificate).not_valid_after_utc - now).days


def _read(certificate: Path) -> x509.Certificate:
    try:
        return x509.load_pem_x509_certificate(certificate.read_bytes())
    except (OSError, ValueError) as error:
        raise BitternError("BITTERN_TLS_CERTIFICATE", f"The certificate {certificate} cannot be read.") from error


def _about(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, now: datetime, until: datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))  # clocks of a shop's devices differ
        .not_valid_after(until)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
    )


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        key_cert_sign=signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        crl_sign=False,
        encipher_only=False,
        decipher_only=False,
    )


def _general_name(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        pass
    labels = name.split(".")
    is_name = all(label and label.replace("-", "").isalnum() and len(label) < 64 for label in labels)
    if not (name.isascii() and is_name and len(name) < 254):
        raise BitternError("name", f"{name[:80]!r} is no host name and no address.")
    return x509.DNSName(name.lower())


def _write(path: Path, content: bytes, mode: int) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        part = path.with_name(f".{path.name}.part")
        part.unlink(missing_ok=True)
        write_new_file(part, content, mode)
        os.replace(part, path)
    except OSError as error:
        raise BitternError("folder", f"{path} cannot be written: {error.strerror or error}.") from error
