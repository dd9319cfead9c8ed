"""The page of a sweep: what moves the figures, by how much, and each case with the command that makes it again."""
