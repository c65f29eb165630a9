"""The whole job in the user's own browser, from this computer: the commands' code behind pages and forms."""
