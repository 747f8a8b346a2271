"""Certificates of a test's own, made by OpenSSL: an authority, a broker called localhost, a bench, and a stranger."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.processes.broker import program

Pair = tuple[Path, Path]


@dataclass(frozen=True)
class Certificates:
    """Pairs of certificate and key, in PEM. stranger: signed by itself. locked: the bench's key with a passphrase."""

    authority: Path
    broker: Pair
    bench: Pair
    stranger: Pair
    locked: Path


def _openssl(*words: str | Path) -> None:
    subprocess.run([program("openssl", "openssl"), *map(str, words)], check=True, capture_output=True)


def _made(folder: Path, name: str, *signed_by: str | Path) -> Pair:
    certificate, key = folder / f"{name}.pem", folder / f"{name}.key"
    words = f"req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN={name}".split()
    alternative = ("-addext", f"subjectAltName=DNS:{name}") if signed_by else ()
    _openssl(*words, *alternative, *signed_by, "-out", certificate, "-keyout", key)
    return certificate, key


def certificates(folder: Path) -> Certificates:
    authority, key = _made(folder, "authority")
    signed = ("-CA", authority, "-CAkey", key, "-addext", "basicConstraints=CA:FALSE")
    broker, bench = _made(folder, "localhost", *signed), _made(folder, "bench", *signed)
    locked = folder / "locked.key"
    _openssl("pkey", "-in", bench[1], "-aes256", "-passout", "pass:word", "-out", locked)
    return Certificates(authority, broker, bench, _made(folder, "stranger"), locked)
