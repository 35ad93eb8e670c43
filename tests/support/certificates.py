"""A throw-away certificate authority and server certificates for 127.0.0.1."""

import datetime
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Authority:
    """Signs certificates. The files go to `folder`."""

    def __init__(self, folder: Path, name: str = "ca") -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"throw-away {name}")])
        certificate = (
            self._builder(self._name, self._key, 3650)
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        self.file = folder / f"{name}.pem"
        self.file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))

    def server(self, days: int = 30, address: str = "127.0.0.1", from_days: int = -10) -> tuple[Path, Path, Path]:
        """(CA, certificate, key) files of a server at `address`.

        days: until when it is valid, < 0: it expired that long ago; from_days: since when, if that is before the end.
        """
        key = ec.generate_private_key(ec.SECP256R1())
        name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "broker")])
        certificate = (
            self._builder(name, key, days, from_days)
            .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))]), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        files = self.file, self._folder / "server.pem", self._folder / "server.key"
        files[1].write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        files[2].write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        return files

    def _builder(
        self, name: x509.Name, key: ec.EllipticCurvePrivateKey, days: int, from_days: int = -10
    ) -> x509.CertificateBuilder:
        now = datetime.datetime.now(datetime.UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(name)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + datetime.timedelta(days=min(from_days, days - 1)))
            .not_valid_after(now + datetime.timedelta(days=days))
        )
