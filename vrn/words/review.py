"""Approval and signature: what they are worth for what was built, and how that differs from what was approved."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "no-id": (
        "{name} approved this field, but the approval does not say which prescription. It is a draft.",
        "Read this one and sign it.",
        'vrn sign DIR --by "NAME"',
    ),
    "other-id": (
        "{name} approved prescription {approved}. This one is {built}. It is a draft.",
        "Look at what changed. Then sign this one, or go back to the files that were approved.",
        'vrn sign DIR --by "NAME"',
    ),
    "earlier-unknown": (
        "The approved prescription is not in this folder, so what changed can't be listed.",
        "Build into the folder that holds it to see the changes.",
    ),
    "differs-input": ("The file has changed since the approval.", "Check that the new one is right."),
    "differs-settings": ("The settings have changed since the approval.", "Check that they are right."),
    "differs": ("Approved: {was}. Now: {now}.", "Check that the new figure is right."),
}
SENTENCES: Final[dict[str, str]] = {
    "differs-input-line": "{about}: another file",
    "differs-settings-line": "{about}: other settings",
    "differs-line": "{about}: was {was}, is {now}",
    "id": "Prescription {id}",
    "by-name": "Signed by name, no key.",
    "by-key": "Signed with key {mark}.",
    "sign-warnings": "Warnings in this prescription:",
    "sign-warning": "  ! {place}: {problem}",
    "signed-over": "Signed over {memory:number|numbers} from memory, {methods:other method|other methods} and "
    "{assumed:assumption|assumptions}. Page 2 of the report lists them.",
    "signed": "{name} signed prescription {id} on {on}. {how}",
    "key-made": "Private key: {private}. Keep it to yourself. Public key: {public}. Hand that one out.",
    "key-pinned": "Key {mark} may sign. {book} holds it.",
    "key-revoked": "Key {mark} was revoked on {on}. {book} holds it.",
    "fingerprint": "Fingerprint: {mark}",
    "was-signed": "The folder held prescription {id}, signed by {name}. Its place is taken by this one.",
}
