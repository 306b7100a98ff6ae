"""Ed25519 verification (RFC 8032 section 5.1.7, no cofactor, no point of small order), with the standard library alone."""
import functools, hashlib

P, ORDER = 2**255 - 19, 2**252 + 27742317777372353535851937790883648493
D, SQRT_M1 = -121665 * pow(121666, -1, P) % P, pow(2, (P - 1) // 4, P)

def add(a, b):  # points of the curve as (X, Y, Z, T): x = X/Z, y = Y/Z, xy = T/Z
    e, f = (a[1] - a[0]) * (b[1] - b[0]), (a[1] + a[0]) * (b[1] + b[0])
    g, h = 2 * a[3] * b[3] * D, 2 * a[2] * b[2]
    return (f - e) * (h - g) % P, (h + g) * (f + e) % P, (h - g) * (h + g) % P, (f - e) * (f + e) % P

def times(k, point):
    result = (0, 1, 1, 0)
    for bit in bin(k)[2:]:
        result = add(result, result)
        result = add(result, point) if bit == "1" else result
    return result

def encode(point):
    x, y = (coordinate * pow(point[2], -1, P) % P for coordinate in point[:2])
    return (y | (x & 1) << 255).to_bytes(32, "little")

def decode(data):
    """The point with this encoding; ValueError if there is none, if another encoding is the right one, or if it is weak."""
    y = int.from_bytes(data, "little") % 2**255
    square = (y * y - 1) * pow(D * y * y + 1, -1, P) % P
    x = pow(square, (P + 3) // 8, P)
    x = x if x * x % P == square else x * SQRT_M1 % P
    x = x if x & 1 == data[31] >> 7 else P - x
    point = x, y, 1, x * y % P
    if x * x % P != square or encode(point) != data or times(8, point)[0] == 0:
        raise ValueError("a key or signature is weak or no point of the curve")
    return point

BASE = decode((4 * pow(5, -1, P) % P).to_bytes(32, "little"))

@functools.lru_cache(None)
def verify(public, message, signature):
    try:
        s, commitment, key = int.from_bytes(signature[32:], "little"), decode(signature[:32]), decode(public)
    except (ValueError, IndexError):
        return False
    k = int.from_bytes(hashlib.sha512(signature[:32] + public + message).digest(), "little") % ORDER
    return len(signature) == 64 and s < ORDER and encode(times(s, BASE)) == encode(add(commitment, times(k, key)))
