"""Who signed a prescription, and whether it was over exactly these bytes."""

import hashlib
import json
from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any, Final

import rfc8785
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import load_pem_public_key

from vrn.audit.model import Check, failed, passed
from vrn.audit.opened import Opened
from vrn.audit.statement_checks import SHORT
from vrn.errors import InputFileError

_NAME: Final = "signature.json"
_NOT_IN_IT: Final = {_NAME, "summary.json"}


def signature_checks(
    opened: Opened, pinned: str | None = None, keys: Mapping[str, date | None] | None = None
) -> Iterator[Check]:
    """Whether the signature is of this statement, these files and that key; a draft has none.

    ``keys`` are fingerprints that may sign, each with the day it was revoked, if it was.
    """
    summary, path = opened.summary, opened.folder / _NAME
    if not summary.get("approved"):
        if path.exists():
            yield from (failed("audit.signature-beside-draft", name) for name in (_NAME, "summary.json"))
        elif pinned is not None or keys:
            yield failed("audit.no-key", "all files")
        else:
            yield passed("audit.draft", "all files", id=str(summary.get("id"))[:SHORT])
        return
    try:
        entry: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        statement = json.loads((opened.folder / "statement.json").read_text(encoding="utf-8"))
        faults = list(_faults(opened, entry, statement))
        key, entered = entry["public_key"], str(entry["entered_on"] or entry["date"])
        who = {"name": str(entry["name"]), "on": str(entry["date"]), "id": str(entry["id"])[:SHORT]}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        yield failed("audit.unreadable", _NAME, why=type(error).__name__)
        return
    yield from faults
    mark, holds = _signer(entry, statement)
    good = not faults and holds
    if not holds:
        yield failed("audit.signature-broken", _NAME)
    revoked = (keys or {}).get(mark or "")
    if revoked is not None and entered > revoked.isoformat():
        good = False
        yield failed("audit.key-revoked", _NAME, mark=str(mark), on=revoked)
    elif revoked is not None:
        yield passed("audit.key-revoked-since", _NAME, mark=str(mark), on=revoked)
    if (pinned is not None and key != pinned) or (keys and mark not in keys):
        good = False
        code = "audit.no-key" if key is None else "audit.other-key"
        for name in sorted(summary["files"]):
            yield failed(code, name)
    if good:
        files = len(entry["files"])
        if key is None:
            yield passed("audit.signed-by-name", _NAME, files=files, **who)
        else:
            yield passed("audit.signed-with-key", _NAME, files=files, mark=str(mark), **who)


def _signer(entry: dict[str, Any], statement: dict[str, Any]) -> tuple[str | None, bool]:
    """Fingerprint of the key, None without one, and whether the signature holds; a damaged one does not."""
    if entry["public_key"] is None:
        return None, True
    try:
        return _mark(entry["public_key"]), _holds(entry, statement)
    except (ValueError, TypeError, KeyError):
        return "", False


def _faults(opened: Opened, entry: dict[str, Any], statement: dict[str, Any]) -> Iterator[Check]:
    """What of the folder the signature is not of, whoever made it."""
    summary = opened.summary
    if entry["id"] != hashlib.sha256(rfc8785.dumps(statement)).hexdigest():
        yield failed("audit.signature-of-other", _NAME, id=str(entry["id"])[:SHORT])
    if entry["warnings"] != statement["warnings"]:
        yield failed("audit.signature-differs", _NAME)
    listed = {name: digest for name, digest in summary["files"].items() if name != _NAME}
    try:
        whole = hashlib.sha256(rfc8785.dumps({**summary, "files": {}})).hexdigest()
    except ValueError:  # a number that has no canonical form: a point lost
        whole = ""
    own = hashlib.sha256((opened.folder / _NAME).read_bytes()).hexdigest()
    if entry["summary"] != whole or entry["files"] != listed or summary["files"].get(_NAME) != own:
        yield failed("audit.not-signed", "summary.json")
    there = {path.relative_to(opened.folder).as_posix() for path in opened.folder.rglob("*") if path.is_file()}
    for name in sorted((set(entry["files"]) | set(summary["files"])) - _NOT_IN_IT):
        content = (opened.folder / name).read_bytes() if name in there else b""
        if hashlib.sha256(content).hexdigest() != entry["files"].get(name):
            yield failed("audit.not-signed", name)


def _holds(entry: dict[str, Any], statement: dict[str, Any]) -> bool:
    """Whether the signature is the key's, over the canonical form of the entries and the statement (RFC 8032)."""
    message = {**{name: value for name, value in entry.items() if name != "signature"}, "statement": statement}
    return verified(bytes.fromhex(entry["public_key"]), bytes.fromhex(entry["signature"]), rfc8785.dumps(message))


def verified(public_key: bytes, signature: bytes, message: bytes) -> bool:
    """Whether an Ed25519 signature of a message is by this key; False too where key or signature is none at all."""
    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def read_public_key(path: Path) -> str:
    """Public key of a ``.pub`` file, 64 hex digits; InputFileError if it is none, or damaged."""
    remedy = "Give the file that vrn key wrote with .pub at its end."
    try:
        key = load_pem_public_key(path.read_bytes())
    except OSError as error:
        problem = f"{path} cannot be read: {error.strerror or error}."
        raise InputFileError(problem, remedy) from error
    except (ValueError, UnsupportedAlgorithm) as error:
        problem = f"{path} is no public key, or it is damaged."
        raise InputFileError(problem, remedy) from error
    if not isinstance(key, Ed25519PublicKey):
        problem = f"{path} is a key of another kind, not Ed25519."
        raise InputFileError(problem, remedy)
    return key.public_bytes_raw().hex()


def _mark(public_key: str) -> str:
    """A key's fingerprint, as ``vrn key`` prints it."""
    digest = hashlib.sha256(bytes.fromhex(public_key)).hexdigest()[:32]
    return "-".join(digest[at : at + 4] for at in range(0, 32, 4))
