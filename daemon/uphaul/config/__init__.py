"""TOML to checked, frozen specifications."""
