"""What everything stands on: errors, words, files, pages."""
