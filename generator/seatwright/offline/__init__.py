"""What a playbook does to a running seat, done to a root file system in a directory.

``plugins/connection/seat_root.py`` is the way in for Ansible: commands run in a chroot with
namespaces of their own. ``provision`` runs a rendered site's playbooks through it: units are
enabled, and nothing is started.
"""
