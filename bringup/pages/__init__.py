"""Pages for people: HTML out of templates, for reports and browsing. Knows no logbook: facts are handed in."""
