"""Points to grid."""
