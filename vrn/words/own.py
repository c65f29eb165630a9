"""What is said where the need or a surface is the user's own."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "need": (
        "The need is not from a published method. It was given by {source}.",
        "Compare it with the methods in the report before you sign.",
    ),
    "surface": ("This map was not made from your samples. It was given by {source}.", "Check it against your samples."),
}
SENTENCES: Final[dict[str, str]] = {
    "method": "Method: a need of your own. No published method was used.",
    "source": "Given by: {source}",
}
