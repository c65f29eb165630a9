"""Written files, read again by other readers, and what was applied held against them."""

from vrn.audit.compare import compare
from vrn.audit.machine_log import covered_by_log
from vrn.audit.model import Check
from vrn.audit.time_log import is_task_data
from vrn.audit.verify import Verification, verify

__all__ = ["Check", "Verification", "compare", "covered_by_log", "is_task_data", "verify"]
