"""What the daemon serves over HTTP: the server, the API, the page, and the site that joins them."""
