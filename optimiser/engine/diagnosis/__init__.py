"""Why no schedule exists: which limit asks for more than which other allows, when, and by how much."""
