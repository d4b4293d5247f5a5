"""The owner's day: what waits on whom, what was promised, what was won and lost, who owes, which quotes lapse."""
