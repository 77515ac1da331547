"""Reading the files that people write: YAML to nodes with positions, one table of fields, records of the core."""
