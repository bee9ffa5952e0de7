"""The drive log: schema, writer, reader."""
