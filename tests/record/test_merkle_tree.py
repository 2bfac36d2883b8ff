"""The tree against public vectors, against its definition for every small size, and against another implementation."""

from __future__ import annotations

import random
from collections.abc import Sequence
from hashlib import sha256
from typing import Any

import pymerkle
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.logbook.merkle import (
    EMPTY_HEAD,
    Frontier,
    consistency_proof,
    head_of,
    heads_over,
    inclusion_proof,
    node_hash,
    verify_consistency,
    verify_inclusion,
)
from logger.logbook.tiles import TILE_LEAVES, TiledTree

SIZES = range(1, 65)

VECTOR_INPUTS = [
    bytes.fromhex(text)
    for text in ("", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f")
]
"""The eight leaf inputs that implementations of RFC 6962 and RFC 9162 publish their heads for."""

VECTOR_HEADS = [
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
]

INCLUSION_VECTORS = [
    (1, 1, []),
    (
        1,
        8,
        [
            "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
            "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
            "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
        ],
    ),
]
"""Leaf from 1, size, proof."""


def leaf_of(data: bytes) -> bytes:
    return sha256(b"\x00" + data).digest()


VECTOR_LEAVES = [leaf_of(data) for data in VECTOR_INPUTS]
LEAVES = [leaf_of(number.to_bytes(2, "big")) for number in range(70)]


def by_definition(leaves: Sequence[bytes]) -> bytes:
    """RFC 9162, 2.1.1, word for word."""
    if len(leaves) == 1:
        return leaves[0]
    k = 1
    while k * 2 < len(leaves):
        k *= 2
    return node_hash(by_definition(leaves[:k]), by_definition(leaves[k:]))


@pytest.mark.parametrize("size", range(1, 9))
def test_public_heads(size: int) -> None:
    assert head_of(VECTOR_LEAVES[:size]).hex() == VECTOR_HEADS[size - 1]


@pytest.mark.parametrize(("number", "size", "proof"), INCLUSION_VECTORS)
def test_public_inclusion_proofs(number: int, size: int, proof: list[str]) -> None:
    made = inclusion_proof(number - 1, size, heads_over(VECTOR_LEAVES))
    assert [one.hex() for one in made] == proof
    assert verify_inclusion(VECTOR_LEAVES[number - 1], number - 1, size, made, bytes.fromhex(VECTOR_HEADS[size - 1]))


def test_the_empty_tree() -> None:
    assert Frontier().head() == EMPTY_HEAD == sha256(b"").digest()


def test_heads_by_definition_and_by_frontier_agree() -> None:
    frontier = Frontier()
    for size in SIZES:
        frontier.push(LEAVES[size - 1])
        assert frontier.head() == head_of(LEAVES[:size]) == by_definition(LEAVES[:size])


def test_every_inclusion_proof_of_every_small_tree() -> None:
    mth = heads_over(LEAVES)
    for size in SIZES:
        head = head_of(LEAVES[:size])
        for index in range(size):
            proof = inclusion_proof(index, size, mth)
            assert len(proof) <= (size - 1).bit_length()
            assert verify_inclusion(LEAVES[index], index, size, proof, head)
            assert not verify_inclusion(LEAVES[index], index, size, [*proof, LEAVES[0]], head)
            assert not verify_inclusion(LEAVES[index], index, size, proof[1:], head) or not proof
            for other in range(size):
                if other != index:
                    assert not verify_inclusion(LEAVES[index], other, size, proof, head)
                    assert not verify_inclusion(LEAVES[other], index, size, proof, head)


def test_every_consistency_proof_of_every_small_tree() -> None:
    mth = heads_over(LEAVES)
    heads = {size: head_of(LEAVES[:size]) for size in SIZES}
    for new in SIZES:
        for old in range(1, new + 1):
            proof = consistency_proof(old, new, mth)
            assert verify_consistency(old, new, heads[old], heads[new], proof)
            assert not verify_consistency(old, new, heads[old], heads[new], [*proof, LEAVES[0]])
            assert not verify_consistency(old, new, heads[old], heads[new], proof[:-1]) or not proof
            for other in (old - 1, old + 1):
                if 1 <= other <= new and other != old:
                    assert not verify_consistency(other, new, heads[old], heads[new], proof)
                    assert not verify_consistency(old, new, heads[other], heads[new], proof)


def test_both_sizes_must_be_used_up() -> None:
    """A checker that stops early would take a proof for a tree of another height. (Which of the sizes of one height it
    is, the signed checkpoint says: it holds size and head together.)"""
    mth = heads_over(LEAVES)
    heads = {size: head_of(LEAVES[:size]) for size in SIZES}
    lengths = {(old, new): len(consistency_proof(old, new, mth)) for new in SIZES for old in range(1, new + 1)}
    for old in range(1, 64, 5):
        for new in range(old + 1, 65, 3):
            proof = consistency_proof(old, new, mth)
            for claimed in range(old, 65):
                if lengths[old, claimed] != len(proof):
                    assert not verify_consistency(old, claimed, heads[old], heads[new], proof)


def test_every_flipped_byte_is_refused() -> None:
    mth = heads_over(LEAVES)
    for size in (2, 3, 7, 8, 33, 64):
        head = head_of(LEAVES[:size])
        for index in range(0, size, 3):
            proof = inclusion_proof(index, size, mth)
            for position in range(len(proof) * 32):
                flipped = [bytearray(one) for one in proof]
                flipped[position // 32][position % 32] ^= 1 << position % 8
                assert not verify_inclusion(LEAVES[index], index, size, [bytes(one) for one in flipped], head)
        for old in range(1, size, 2):
            proof = consistency_proof(old, size, mth)
            for position in range(len(proof) * 32):
                flipped = [bytearray(one) for one in proof]
                flipped[position // 32][position % 32] ^= 1 << position % 8
                bad = [bytes(one) for one in flipped]
                assert not verify_consistency(old, size, head_of(LEAVES[:old]), head, bad)


def test_hashes_of_another_length_are_refused() -> None:
    proof = inclusion_proof(1, 4, heads_over(LEAVES))
    assert not verify_inclusion(LEAVES[1], 1, 4, [proof[0] + b"\x00", proof[1]], head_of(LEAVES[:4]))
    assert not verify_inclusion(LEAVES[1][:31], 1, 4, proof, head_of(LEAVES[:4]))
    assert not verify_inclusion(LEAVES[1], -1, 4, proof, head_of(LEAVES[:4]))
    assert not verify_inclusion(LEAVES[1], 4, 4, proof, head_of(LEAVES[:4]))


@pytest.mark.parametrize(("index", "size"), [(-1, 3), (3, 3), (0, 0)])
def test_no_proof_outside_the_tree(index: int, size: int) -> None:
    with pytest.raises(ValueError, match="no leaf"):
        inclusion_proof(index, size, heads_over(LEAVES))


def test_another_implementation_agrees() -> None:
    oracle: Any = pymerkle
    tree = oracle.InmemoryTree(algorithm="sha256")
    for size in SIZES:
        tree.append_entry(size.to_bytes(2, "big"))
        leaves = [leaf_of(number.to_bytes(2, "big")) for number in range(1, size + 1)]
        assert tree.get_root() == head_of(leaves)
        proof = tree.prove_inclusion(size // 2 + 1, size)
        oracle.verify_inclusion(leaves[size // 2], head_of(leaves), proof)


@given(st.integers(1, 3000), st.integers(0, 2**32))
def test_the_tiled_tree_is_the_same_tree(size: int, seed: int) -> None:
    rng = random.Random(seed)
    leaves = [rng.randbytes(32) for _ in range(size)]
    tiled, plain, tiles = TiledTree(), Frontier(), {}
    for one in leaves:
        plain.push(one)
        tiles.update({(level, number): head for level, number, head in tiled.push(one)})
    assert tiled.head() == plain.head()
    assert tiled.size == size
    assert set(tiles) == {(1, number) for number in range(size // TILE_LEAVES)}
    for (_, number), head in tiles.items():
        assert head == head_of(leaves[number * TILE_LEAVES : (number + 1) * TILE_LEAVES])


def test_tiles_of_tiles() -> None:
    leaves = [leaf_of(number.to_bytes(4, "big")) for number in range(TILE_LEAVES**2 + 300)]
    tree, seen = TiledTree(), []
    for one in leaves:
        seen += [tile for tile in tree.push(one) if tile[0] == 2]
    assert seen == [(2, 0, head_of(leaves[: TILE_LEAVES**2]))]
    assert tree.head() == head_of(leaves)
