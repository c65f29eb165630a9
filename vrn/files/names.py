"""Names as a file can carry them: cut for terminals, without control characters, no formulas for spreadsheets."""

import re
import unicodedata
from typing import Final

from vrn.findings import Finding, note
from vrn.prescription.model import Prescription

DESIGNATOR: Final = 32  # longest designator of ISO 11783-10
_LETTERS: Final = str.maketrans({"ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ł": "l",
                                 "Ł": "L", "đ": "d", "Đ": "D", "þ": "th", "Þ": "Th", "ð": "d", "’": "", "'": "",
                                 "–": "-", "—": "-"})  # fmt: skip


def terminal_name(name: str, *, plain: bool, most: int = DESIGNATOR, instead: str = "Field") -> str:
    """
    Name in its own letters, or in plain ones, cut to what a terminal shows; ``instead`` if none is left.

    Examples
    --------
    >>> terminal_name("Prés d’Été", plain=False), terminal_name("Prés d’Été", plain=True)
    ('Prés d’Été', 'Pres dEte')
    """
    if plain:
        return plain_name(name, most=most, instead=instead)
    whole = unicodedata.normalize("NFC", one_line(name, most=1000))
    while len(whole) > most or unicodedata.category(whole[-1:] or "x")[0] == "Z":
        at = most if len(whole) > most else len(whole) - 1
        while at and unicodedata.category(whole[at])[0] == "M":  # a mark goes with its letter
            at -= 1
        whole = whole[:at]
    return whole or instead


def plain_name(name: str, *, most: int = DESIGNATOR, instead: str = "Field") -> str:
    """Name in plain ASCII letters, digits and ``-_.+()#``, cut to what a terminal shows; ``instead`` if none is left.

    >>> plain_name("Prés d’Été, <b>Nord</b>")
    'Pres dEte b Nord b'
    """
    spelled = unicodedata.normalize("NFKD", name.translate(_LETTERS))
    ascii_only = "".join(letter for letter in spelled if not unicodedata.combining(letter))
    plain = " ".join(re.sub(r"[^A-Za-z0-9_.+()#-]+", " ", ascii_only).split())
    return plain[:most].strip() or instead


def one_line(text: str, *, most: int = 200) -> str:
    r"""Text on one line without control characters, for text files and XML.

    >>> one_line("North\x00 40\n(east)")
    'North 40 (east)'
    """
    kept = "".join(
        " " if letter.isspace() else letter
        for letter in text
        if letter.isspace() or unicodedata.category(letter) not in ("Cc", "Cf", "Cs", "Cn", "Co")
    )
    line = " ".join(kept.split())
    return line if len(line) <= most else line[: most - 1] + "…"


def cell_text(text: str) -> str:
    """Text that a spreadsheet takes for text: what looks like a formula gets an apostrophe in front.

    >>> cell_text("=1+1"), cell_text("Zone 3")
    ("'=1+1", 'Zone 3')
    """
    line = one_line(text, most=2000)
    return f"'{line}" if line[:1] in ("=", "+", "-", "@", "|", "%") else line


def status(prescription: Prescription) -> str:
    """``DRAFT: not approved``, or who approved it and when."""
    review = prescription.field.settings.review
    if not prescription.approved:
        return "DRAFT: not approved"
    return f"Approved by {one_line(review.approved_by or '', most=80)} on {review.approved_on:%Y-%m-%d}"


def cleaned_names(prescription: Prescription) -> tuple[Finding, ...]:
    """What had to be changed in names for a format to carry them."""
    found, settings = [], prescription.field.settings
    named = (("field.name", prescription.field.name, "Field"), ("product.name", prescription.product.name, "Product"),
             ("farm.grower", settings.farm.grower or "", ""), ("farm.farm", settings.farm.farm or "", ""))  # fmt: skip
    for key, name, instead in named:
        written = terminal_name(name, plain=settings.export.plain_names, instead=instead)
        if written != name:
            found.append(note("files.name-plain", key, name=one_line(name, most=60), plain=written, most=DESIGNATOR))
        if one_line(name) != name:
            found.append(note("files.name-one-line", key, name=one_line(name, most=60), most=200))
    return tuple(found)
