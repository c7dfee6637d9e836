"""Study: what a study states, read and checked, or every problem of it in words."""
