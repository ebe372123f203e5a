"""Ed25519 signatures: who packed a record, as far as a key says so."""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from thermscan.errors import InputError
from thermscan.named_file import refuse_irregular
from thermscan.writing import put_file
from thermscan.writing.tree import check_free, put_private

SIGNED_FILE = "tagmanifest-sha512.txt"
# A key file is a few hundred bytes.
LARGEST_KEY_BYTES = 20_000
SignatureState = Literal["none", "good", "bad", "unknown key"]


def make_key(path: Path) -> Path:
    """
    Write a new private key, and the public one beside it (``.pub`` added to the name).

    Returns
    -------
    Path
        Of the public key.

    Raises
    ------
    InputError
        One of the files exists, or cannot be written.
    """
    key = Ed25519PrivateKey.generate()
    public = path.with_name(f"{path.name}.pub")
    for each in (path, public):
        check_free(each)
    private_pem = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    public_pem = key.public_key().public_bytes(
        serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    put_private(path, private_pem)
    put_file(public, public_pem, inputs=[path], new=True)
    return public


def read_private_key(path: Path) -> Ed25519PrivateKey:
    """A private key from its PEM file."""
    try:
        key = serialization.load_pem_private_key(_key_bytes(path), None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        fix = "make one with: thermscan record key bench.key"
        raise InputError(
            "is not a private key that can be used without a password", where=str(path), fix=fix
        ) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError("is not an Ed25519 key", where=str(path), fix="make one with: thermscan record key bench.key")
    return key


def read_public_key(path: Path) -> Ed25519PublicKey:
    """A public key from its PEM file; that of a private one is taken too."""
    data = _key_bytes(path)
    try:
        if b"PRIVATE KEY" in data:
            return read_private_key(path).public_key()
        key = serialization.load_pem_public_key(data)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise InputError("is not a public key", where=str(path), fix="give the .pub file of the signer") from error
    if not isinstance(key, Ed25519PublicKey):
        raise InputError("is not an Ed25519 key", where=str(path), fix="give the .pub file of the signer")
    return key


def _key_bytes(path: Path) -> bytes:
    try:
        refuse_irregular(path)
        with path.open("rb") as file:
            return file.read(LARGEST_KEY_BYTES)
    except OSError as error:
        what = f"the key cannot be read ({error.strerror})"
        raise InputError(what, where=str(path), fix="check the name and the folder") from error


def raw_key(key: Ed25519PublicKey) -> bytes:
    """The 32 bytes of a public key."""
    return key.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)


def fingerprint(public: bytes) -> str:
    """
    A short name of a public key: SHA-256 of its 32 bytes.

    Examples
    --------
    >>> fingerprint(bytes(32))[:16]
    '66687aadf862bd77'
    """
    return hashlib.sha256(public).hexdigest()


def signature_text(signed: bytes, key: Ed25519PrivateKey) -> bytes:
    """The signature file for a manifest's bytes."""
    return _document(raw_key(key.public_key()), key.sign(signed))


def _document(public: bytes, signature: bytes) -> bytes:
    """The one way to write a signature file, so that any change to one shows."""
    document = {
        "schema": "thermscan.signature/1",
        "algorithm": "Ed25519",
        "signed_file": SIGNED_FILE,
        "public_key": base64.b64encode(public).decode("ascii"),
        "signature": base64.b64encode(signature).decode("ascii"),
    }
    return (json.dumps(document, indent=1) + "\n").encode("ascii")


def check_signature(
    signature: bytes | None, signed: bytes | None, *, info_fingerprint: str | None, known: Sequence[Ed25519PublicKey]
) -> tuple[SignatureState, str | None]:
    """
    What a signature says.

    Parameters
    ----------
    signature : bytes or None
        The signature file.
    signed : bytes or None
        ``tagmanifest-sha512.txt``.
    info_fingerprint : str or None
        The signer's key as bag-info.txt names it.
    known : sequence of public keys
        Those that the user trusts.

    Returns
    -------
    (state, fingerprint or None)
        ``unknown key``: the signature fits a key that is not among the known ones, so that it tells only that
        whoever has that key signed. ``bad``: it does not fit.
    """
    if signature is None:
        return "none" if info_fingerprint is None else "bad", info_fingerprint
    try:
        document = json.loads(signature)
        public = base64.b64decode(document["public_key"], validate=True)
        mark = base64.b64decode(document["signature"], validate=True)
        if signed is None or signature != _document(public, mark):
            return "bad", None
        Ed25519PublicKey.from_public_bytes(public).verify(mark, signed)
    except (ValueError, KeyError, TypeError, RecursionError, binascii.Error, InvalidSignature):
        return "bad", None
    name = fingerprint(public)
    if name != info_fingerprint:
        return "bad", name
    return ("good" if any(raw_key(key) == public for key in known) else "unknown key"), name
