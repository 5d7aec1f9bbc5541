// SHA-256 in pieces (FIPS 180-4): browsers offer their own only to encrypted pages, which a local network has not.
const K = new Uint32Array(64);
const START = new Uint32Array(8);
{
  // Fractional parts of cube and square roots of the first primes, 4.2.2 and 5.3.3 of the standard.
  let count = 0;
  for (let n = 2; count < 64; n++) {
    let prime = true;
    for (let d = 2; d * d <= n; d++) if (n % d === 0) prime = false;
    if (!prime) continue;
    if (count < 8) START[count] = fraction(Math.sqrt(n));
    K[count++] = fraction(Math.cbrt(n));
  }
}

function fraction(root) {
  return Math.floor((root - Math.floor(root)) * 2 ** 32);
}

const turn = (x, n) => (x >>> n) | (x << (32 - n));

export class Sha256 {
  constructor() {
    this.state = START.slice();
    this.rest = new Uint8Array(64);
    this.held = 0;
    this.length = 0;
    this.words = new Uint32Array(64);
  }

  update(bytes) {
    this.length += bytes.length;
    let at = 0;
    if (this.held) {
      const take = Math.min(64 - this.held, bytes.length);
      this.rest.set(bytes.subarray(0, take), this.held);
      this.held += take;
      at = take;
      if (this.held < 64) return;
      this.block(this.rest, 0);
      this.held = 0;
    }
    for (; at + 64 <= bytes.length; at += 64) this.block(bytes, at);
    this.rest.set(bytes.subarray(at), 0);
    this.held = bytes.length - at;
  }

  block(bytes, at) {
    const w = this.words;
    for (let k = 0; k < 16; k++, at += 4) {
      w[k] = (bytes[at] << 24) | (bytes[at + 1] << 16) | (bytes[at + 2] << 8) | bytes[at + 3];
    }
    for (let k = 16; k < 64; k++) {
      const s0 = turn(w[k - 15], 7) ^ turn(w[k - 15], 18) ^ (w[k - 15] >>> 3);
      const s1 = turn(w[k - 2], 17) ^ turn(w[k - 2], 19) ^ (w[k - 2] >>> 10);
      w[k] = w[k - 16] + s0 + w[k - 7] + s1;
    }
    let [a, b, c, d, e, f, g, h] = this.state;
    for (let k = 0; k < 64; k++) {
      const one = (h + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + K[k] + w[k]) | 0;
      const two = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      [h, g, f, e, d, c, b, a] = [g, f, e, (d + one) | 0, c, b, a, (one + two) | 0];
    }
    [a, b, c, d, e, f, g, h].forEach((value, k) => (this.state[k] += value));
  }

  /** The hash as hexadecimal digits; nothing can be added afterwards. */
  hex() {
    const bits = this.length * 8;
    const end = new Uint8Array(this.held < 56 ? 64 - this.held : 128 - this.held);
    end[0] = 0x80;
    const view = new DataView(end.buffer);
    view.setUint32(end.length - 8, Math.floor(bits / 2 ** 32));
    view.setUint32(end.length - 4, bits >>> 0);
    this.update(end);
    return [...this.state].map((value) => value.toString(16).padStart(8, "0")).join("");
  }
}
