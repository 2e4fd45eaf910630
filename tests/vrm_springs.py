"""Characters as GLB files that have the extension VRMC_springBone 1.0."""

from __future__ import annotations

from rigs import changed


def node_of(json, name):
    return next(k for k, node in enumerate(json["nodes"]) if node.get("name") == name)


def spring_of(json):
    return json["extensions"]["VRMC_springBone"]["springs"][0]


def with_springs(glb, **change):
    """The file with a tail of three bones that a ball and a capsule push, and with what `change` says."""

    def put(json):
        tail = [node_of(json, f"tail.{k}") for k in range(4)]
        hips = node_of(json, "hips")
        numbers = {"stiffness": 0.8, "dragForce": 0.3, "gravityPower": 0.1, "hitRadius": 0.02}
        extension = {
            "specVersion": "1.0",
            "colliders": [
                {"node": hips, "shape": {"sphere": {"offset": [0.1, 0.2, 0.3], "radius": 0.15}}},
                {
                    "node": hips,
                    "shape": {"capsule": {"offset": [0, 0, 0], "tail": [0, 0, 0.4], "radius": 0.05}},
                },
            ],
            "colliderGroups": [{"name": "body", "colliders": [0, 1]}],
            "springs": [
                {
                    "name": "tail",
                    "joints": [{"node": one, **numbers, "gravityDir": [0, 0, 1]} for one in tail],
                    "colliderGroups": [0],
                    "center": hips,
                }
            ],
        }
        json["extensionsUsed"] = ["VRMC_springBone"]
        json["extensions"] = {"VRMC_springBone": extension}
        for key, value in change.items():
            extension[key] = value(json) if callable(value) else value

    return changed(glb, put)
