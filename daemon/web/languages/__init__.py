"""The languages of the page: each a folder of catalogs (gettext's .po files), beside the module that reads them."""
