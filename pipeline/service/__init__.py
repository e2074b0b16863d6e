"""The unattended part: jobs worked in processes of their own, results published whole."""
