"""Every sentence the tool says and every number it prints, in trade and in metric units."""

from vrn.words.catalogue import FindingText, finding_texts, findings_json, label_of, say
from vrn.words.units import UNKNOWN, UnitFormat

__all__ = ["UNKNOWN", "FindingText", "UnitFormat", "finding_texts", "findings_json", "label_of", "say"]
