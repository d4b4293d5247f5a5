"""A job's papers: the list on its page, each of them, the labels, and all in one folder."""
