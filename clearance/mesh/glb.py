"""The bytes of a GLB file as a STEP translator writes it go in; its bodies come out, in the file's unit.

Format: glTF 2.0 (ISO/IEC 12113), binary container. Read are the nodes of the scene with their matrices,
and of each mesh the positions and corner numbers of its triangles; nothing else.
"""

from __future__ import annotations

import json
import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

_COMPONENTS = {5121: "u1", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTH = {"SCALAR": 1, "VEC3": 3}
DEEPEST = 100


def bodies_of_glb(data: bytes) -> list[tuple[str, NDArray[np.float64]]]:
    """Name and triangles (N, 3, 3) of each body, one for each node that has a mesh.

    A body is called as its mesh (the product), or as its node where the mesh has no name.

    Raises:
        ValueError, KeyError, IndexError, TypeError, struct.error: the file is not such a GLB.
    """
    magic, _, _ = struct.unpack_from("<4sII", data)
    if magic != b"glTF":
        raise ValueError("no GLB file")
    size, _ = struct.unpack_from("<I4s", data, 12)
    tree = json.loads(data[20 : 20 + size])
    binary = data[20 + size + 8 :]
    found: list[tuple[str, NDArray[np.float64]]] = []
    scene = tree["scenes"][tree.get("scene", 0)]
    waiting = [(node, np.eye(4), 0) for node in reversed(scene.get("nodes", []))]
    while waiting:
        index, T_FA, depth = waiting.pop()
        if depth > DEEPEST:
            raise ValueError("the tree of nodes is too deep")
        node = tree["nodes"][index]
        T_FN = T_FA @ _placement(node)
        if "mesh" in node:
            mesh = tree["meshes"][node["mesh"]]
            parts = [_triangles(tree, binary, primitive) for primitive in mesh["primitives"]]
            triangles = np.concatenate(parts) @ T_FN[:3, :3].T + T_FN[:3, 3]
            found.append((str(mesh.get("name") or node.get("name") or ""), triangles))
        waiting += [(child, T_FN, depth + 1) for child in reversed(node.get("children", []))]
    return found


def _placement(node: dict[str, Any]) -> NDArray[np.float64]:
    """The (4, 4) matrix of a node."""
    if "matrix" in node:
        return np.array(node["matrix"], dtype=float).reshape(4, 4).T
    T = np.eye(4)
    x, y, z, w = node.get("rotation", (0.0, 0.0, 0.0, 1.0))
    T[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    T[:3, :3] *= np.array(node.get("scale", (1.0, 1.0, 1.0)))
    T[:3, 3] = node.get("translation", (0.0, 0.0, 0.0))
    return T


def _triangles(tree: dict[str, Any], binary: bytes, primitive: dict[str, Any]) -> NDArray[np.float64]:
    """The triangles of one primitive in its mesh's frame."""
    if primitive.get("mode", 4) != 4:
        return np.zeros((0, 3, 3))
    corners = _accessor(tree, binary, primitive["attributes"]["POSITION"]).astype(np.float64)
    numbers = _accessor(tree, binary, primitive["indices"]).reshape(-1, 3)
    return corners[numbers.astype(np.int64)]


def _accessor(tree: dict[str, Any], binary: bytes, index: int) -> NDArray[Any]:
    """One array of the file."""
    accessor = tree["accessors"][index]
    view = tree["bufferViews"][accessor["bufferView"]]
    kind = np.dtype(_COMPONENTS[accessor["componentType"]])
    width = _WIDTH[accessor["type"]]
    offset = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    stride = view.get("byteStride", kind.itemsize * width)
    if stride != kind.itemsize * width:
        raise ValueError("interleaved numbers")
    return np.frombuffer(binary, dtype=kind, count=accessor["count"] * width, offset=offset).reshape(
        -1, width
    )
