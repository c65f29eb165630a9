"""What machines read: controller files, rasters, tables, the summary; staged whole and let out by one gate."""
