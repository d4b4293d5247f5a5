"""A cylinder's own page, which the code on its label opens."""
