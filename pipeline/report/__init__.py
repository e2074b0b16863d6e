"""The morning report: pictures, job pages, delivery notes and the index of a night, from manifests and deliverables.

``job`` and ``night`` draw, and load the libraries for it; ``now`` is for the service, and light.
"""
