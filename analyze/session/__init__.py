"""The session folder: its settings, lists, database, and measuring all of it."""
