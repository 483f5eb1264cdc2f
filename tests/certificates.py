"""
A throw-away certificate authority for TLS tests, valid for 127.0.0.1 and localhost.

Nothing here is secret; the files live in a test's own folder for as long as it runs.
"""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

Key = ec.EllipticCurvePrivateKey


@dataclass(frozen=True)
class Authority:
    """Paths of the authority's certificate and of one server pair that it signed."""

    ca_file: Path
    server_certificate: Path
    server_key: Path


def make_authority(folder: Path, name: str = "test authority") -> Authority:
    """Make an authority and a server certificate for loopback in `folder`, valid for a day."""
    folder.mkdir(parents=True, exist_ok=True)
    ca_key, server_key = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
    ca = _certificate(name, ca_key, name, ca_key, is_authority=True)
    server = _certificate("localhost", server_key, name, ca_key, is_authority=False)
    authority = Authority(folder / "ca.pem", folder / "server.pem", folder / "server.key")
    authority.ca_file.write_bytes(ca.public_bytes(serialization.Encoding.PEM))
    authority.server_certificate.write_bytes(server.public_bytes(serialization.Encoding.PEM))
    authority.server_key.write_bytes(
        server_key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return authority


def _certificate(
    subject: str, key: Key, issuer: str, issuer_key: Key, *, is_authority: bool
) -> x509.Certificate:
    now = datetime.now(UTC)
    names = [x509.DNSName("localhost"), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
    builder = (
        x509.CertificateBuilder()
        .subject_name(_name(subject))
        .issuer_name(_name(issuer))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(minutes=5))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=is_authority, path_length=None), critical=True)
    )
    if not is_authority:
        builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
    return builder.sign(issuer_key, hashes.SHA256())


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])
