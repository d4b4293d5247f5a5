"""Jobs: the counter's drafts, quote revisions, lines, stages and payments."""
