"""The sample session that ships with the project, its exact truth, and the program that renders it."""
