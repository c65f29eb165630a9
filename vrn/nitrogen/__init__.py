"""Agronomy as arithmetic on arrays: soil nitrate, crop need, credits, losses, published methods, the ledger."""

from vrn.nitrogen.catalogue import method, methods
from vrn.nitrogen.ledger import Ledger, Line
from vrn.nitrogen.method import Method
from vrn.nitrogen.remaining_need import nitrate_lb_ac

__all__ = ["Ledger", "Line", "Method", "method", "methods", "nitrate_lb_ac"]
