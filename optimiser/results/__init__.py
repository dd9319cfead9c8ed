"""Results as frames, files and a workbook, reconciled with each other."""
