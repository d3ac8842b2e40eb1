"""The append-only, hash-linked log of everything a recorder was told."""
