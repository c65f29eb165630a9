"""The signature of a prescription: who took it on, over exactly which bytes, with an Ed25519 key where there is one."""

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from vrn.errors import InputFileError, OutputError
from vrn.files.staging import replaced_in
from vrn.files.statement import NAME as STATEMENT
from vrn.files.statement import canonical, id_of, statement_of
from vrn.files.summary import NAME as SUMMARY
from vrn.files.summary import summary_of
from vrn.prescription.model import Prescription

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

NAME: Final = "signature.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """The prescription that lies in a folder: its statement, its id, who signed it, and what it took the place of."""

    statement: dict[str, Any]
    id: str
    signed_by: str | None
    replaces: str | None

    def replaced_by(self, new_id: str) -> str | None:
        """Id of the signed prescription that another one, written over this, takes the place of."""
        return self.id if self.signed_by and self.id != new_id else self.replaces


def earlier_in(folder: Path) -> Earlier | None:
    """What lies in a folder; None where there is no prescription that can be read."""
    try:
        summary = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
        statement = json.loads((folder / STATEMENT).read_text(encoding="utf-8"))
        if not summary["approved"]:
            return Earlier(statement=statement, id=id_of(statement), replaces=replaced_in(folder), signed_by=None)
        entry = json.loads((folder / NAME).read_text(encoding="utf-8"))
        return Earlier(statement=statement, id=id_of(statement), replaces=entry["replaces"],
                       signed_by=str(entry["name"]))  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError):
        return None


def write_signature(prescription: Prescription, folder: Path, key: "Ed25519PrivateKey | None" = None) -> None:
    """
    Write ``signature.json`` over every other file of the folder, before the summary; nothing for a draft.

    What is signed is the canonical form (RFC 8785) of the file's own entries without ``signature``, with the whole
    statement beside them as ``statement``. The summary is in it by the hash of its canonical form without ``files``.
    """
    if not prescription.approved:
        return
    review, signed = prescription.field.settings.review, prescription.signed
    statement = statement_of(prescription)
    assert review.approved_on is not None  # approved
    entry: dict[str, object] = {
        "id": prescription.id,
        "name": review.approved_by,
        "date": review.approved_on.isoformat(),
        "entered_on": None if signed is None else signed.entered_on.isoformat(),
        "note": review.note,
        "warnings": statement["warnings"],
        "replaces": prescription.replaces,
        "public_key": None if key is None else public_hex(key),
        "summary": hashlib.sha256(canonical({**summary_of(prescription), "files": {}})).hexdigest(),
        "files": {
            path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(folder.rglob("*"))
            if path.is_file() and path.name != SUMMARY
        },
    }
    signature = None if key is None else key.sign(_message_of(statement, entry)).hex()
    text = json.dumps({**entry, "signature": signature}, indent=2, ensure_ascii=False, allow_nan=False)
    (folder / NAME).write_text(text + "\n", encoding="utf-8", newline="\n")


def _message_of(statement: Mapping[str, object], entry: Mapping[str, object]) -> bytes:
    """What is signed: the statement and the entries of ``signature.json`` without the signature, in canonical form."""
    return canonical({**{name: value for name, value in entry.items() if name != "signature"}, "statement": statement})


def make_key(path: Path, passphrase: str = "") -> str:
    """
    Make a key pair: the private key at ``path``, for its owner's eyes alone, the public key beside it as ``.pub``.

    Returns
    -------
    fingerprint : str

    Raises
    ------
    OutputError
        If either is there already, or they cannot be written.
    """
    from cryptography.hazmat.primitives import serialization as form
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key, public = Ed25519PrivateKey.generate(), path.with_name(f"{path.name}.pub")
    hidden = form.BestAvailableEncryption(passphrase.encode()) if passphrase else form.NoEncryption()
    private_pem = key.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, hidden)
    public_pem = key.public_key().public_bytes(form.Encoding.PEM, form.PublicFormat.SubjectPublicKeyInfo)
    for there in (path, public):
        if there.exists():
            problem = f"{there} is there already. A key is never overwritten."
            raise OutputError(problem, "Give another name with --out.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        for file, content, mode in ((path, private_pem, 0o600), (public, public_pem, 0o644)):
            with os.fdopen(os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode), "wb") as opened:
                opened.write(content)
    except OSError as error:
        problem = f"{path} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a folder you may write to.") from error
    return fingerprint(public_hex(key))


def is_locked(path: Path) -> bool:
    """Whether a private key needs a passphrase."""
    try:
        return b"ENCRYPTED" in path.read_bytes()[:60]
    except OSError:
        return False


def read_key(path: Path, passphrase: str = "", *, content: bytes | None = None) -> "Ed25519PrivateKey":
    """
    Read a private key, from its file or from what was in it.

    Raises
    ------
    InputFileError
        If it is no private Ed25519 key, is damaged, or the passphrase is wrong.
    """
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        content = path.read_bytes() if content is None else content
    except OSError as error:
        problem = f"{path} cannot be read: {error.strerror or error}."
        raise InputFileError(problem, "Give the private key that vrn key made.") from error
    if b"PUBLIC KEY" in content:
        problem = f"{path} is the public key. It can check a signature, not make one."
        raise InputFileError(problem, "Give the private key: the same name without .pub.")
    try:
        key = load_pem_private_key(content, passphrase.encode() if passphrase else None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        wrong = passphrase and b"ENCRYPTED" in content[:60]
        problem = f"{path} cannot be opened: {'wrong passphrase, or a damaged key' if wrong else 'no key, or damaged'}."
        raise InputFileError(problem, "Give the private key that vrn key made, and its passphrase.") from error
    if not isinstance(key, Ed25519PrivateKey):
        problem = f"{path} is a key of another kind, not Ed25519."
        raise InputFileError(problem, "Make one with vrn key.")
    return key


def public_hex(key: "Ed25519PrivateKey") -> str:
    """Public key of a private one, 64 hex digits."""
    return key.public_key().public_bytes_raw().hex()


def fingerprint(public_key_hex: str) -> str:
    """
    The first 16 bytes of the SHA-256 of a public key, in groups of four hex digits.

    Examples
    --------
    >>> fingerprint("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")
    '21fe-31df-a154-a261-626b-f854-046f-d227'
    """
    digest = hashlib.sha256(bytes.fromhex(public_key_hex)).hexdigest()[:32]
    return "-".join(digest[at : at + 4] for at in range(0, 32, 4))
