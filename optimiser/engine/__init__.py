"""From a formulation to a proven schedule: pattern, tiled matrix, HiGHS, one direction, proof, diagnosis."""
