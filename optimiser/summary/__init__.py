"""What is written for programs to read, a file a kind of result: every figure with its type, unit and meaning."""
