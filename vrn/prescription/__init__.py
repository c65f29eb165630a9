"""Zone rates, limits, product, machine and simulated drive: from a ledger and zones to a finished prescription."""

from vrn.prescription.limits import zones_of
from vrn.prescription.model import Change, Prescription, Product, ZoneRate
from vrn.prescription.prescribe import prescribe
from vrn.prescription.products import product_of
from vrn.prescription.strips import remaining

__all__ = ["Change", "Prescription", "Product", "ZoneRate", "prescribe", "product_of", "remaining", "zones_of"]
