"""Pure functions on arrays in SI units; they know no configuration, no files and no clock."""
