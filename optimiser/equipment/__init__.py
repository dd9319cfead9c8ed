"""What equipment is, and the laws it keeps."""
