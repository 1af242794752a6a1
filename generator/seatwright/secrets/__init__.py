"""What a site needs and nobody may read: an authority, certificates of hosts, guests' passwords.

Made once and kept in vault-encrypted files beside the site; nothing of it is in the plan or in
what is rendered, which only name the variables that these files set.
"""

FOLDER = "secrets"
"""Beside the site's ``site.yml``."""
