"""The rooms of the page, one small module each: answers made into what a template shows."""
