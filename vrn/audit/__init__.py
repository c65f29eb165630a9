"""Written files, read again by other readers, and what was applied held against them."""

from vrn.audit.compare import compare
from vrn.audit.coverage import Sold, covered
from vrn.audit.model import Check
from vrn.audit.verify import Verification, verify

__all__ = ["Check", "Sold", "Verification", "compare", "covered", "verify"]
