"""Files that become entries: a grower's own spreadsheets, read as they are."""
