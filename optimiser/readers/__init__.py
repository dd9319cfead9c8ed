"""What people have as files, turned into readings: meters' formats, tables through a mapping."""
