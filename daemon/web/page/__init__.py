"""The page: what a person looks at, in rooms."""
