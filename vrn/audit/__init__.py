"""Written files, read again by other readers."""

from vrn.audit.model import Check, Verification
from vrn.audit.verify import verify

__all__ = ["Check", "Verification", "verify"]
