"""What people read: the map, the report, the sheets and the season's page."""
