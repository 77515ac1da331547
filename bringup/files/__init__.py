"""The YAML files: positions, all errors at once, schemas. The only door to ruamel.yaml."""
