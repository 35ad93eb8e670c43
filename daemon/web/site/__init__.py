"""The one web application: API and page behind one door, opened and closed with the daemon."""
