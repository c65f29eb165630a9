"""Every sentence the tool says and every number it prints, in trade and in metric units."""

from vrn.words.catalogue import UNKNOWN, FindingText, UnitFormat, finding_texts, findings_json, label_of, say

__all__ = ["UNKNOWN", "FindingText", "UnitFormat", "finding_texts", "findings_json", "label_of", "say"]
