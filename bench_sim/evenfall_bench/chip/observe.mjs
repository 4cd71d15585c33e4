/**
 * What is seen from outside of the firmware at work: the passes of its loop and its heap.
 *
 * The loop feeds the watchdog once a pass, so the time between two feeds is a pass, and the
 * processor's own time in it, less the polling of the timer in a short sleep, is what the pass cost.  The heap is read where MicroPython's collector
 * keeps its books (py/gc.c: two bits for each block of 16 bytes), found by their shape.
 */

const SPIN_NS = 6000; // nearer together than two calls from Python can be
const BLOCK = 16;
const RAM = 0x20000000;

const LONG_NS = 20e6; // passes that took longer are told one by one,
const MOST_LONG = 1000; // so many of them

const fresh = () => ({ count: 0, busy: 0, worst: 0, longest: 0, worstAt: 0 });

export class Passes {
  constructor() {
    this.clear();
    this.from = null;
    this.spinNs = 0; // time spent in polling the timer, as short sleeps do
    this.timerRead = -1e9;
  }

  /** The processor read the timer: reads close together are a sleep that polls. */
  timer(ns) {
    const since = ns - this.timerRead;
    if (since > 0 && since < SPIN_NS) this.spinNs += since;
    this.timerRead = ns;
  }

  clear() {
    this.kinds = { idle: fresh(), sample: fresh(), flash: fresh(), long: [] };
  }

  /** A chip starts anew. */
  restart() {
    this.from = null;
  }

  sampleRead() {
    this.sampled = true;
  }

  /** The watchdog was fed: at `ns`, after `busy` ns of work and `operations` of the flash so far. */
  feed(ns, busy, operations) {
    if (this.from) {
      const kind = operations !== this.from.operations ? 'flash' : this.sampled ? 'sample' : 'idle';
      const k = this.kinds[kind];
      const cost = busy - this.from.busy;
      k.count++;
      k.busy += cost;
      if (cost > k.worst) {
        k.worst = cost;
        k.worstAt = ns;
      }
      k.longest = Math.max(k.longest, ns - this.from.ns);
      if (kind !== 'flash' && cost > LONG_NS && this.kinds.long.length < MOST_LONG) {
        this.kinds.long.push({ at: ns, busy: cost });
      }
    }
    this.from = { ns, busy, operations };
    this.sampled = false;
  }
}

/**
 * {bytes, free, hole, gap}: size of the heap; bytes that are free, and the largest piece of them, once what
 * nobody holds any more is collected; now: bytes free as it lies, garbage counted as used.  null when no
 * heap is there.  `registers`: the processor's; what they, the stack and the rest of the RAM point to
 * is held, as the collector takes it (it looks at fewer places, so the truth is this or better).
 */
export function heap(sram, registers) {
  const words = new Uint32Array(sram.buffer, sram.byteOffset, sram.byteLength >> 2);
  const end = RAM + sram.byteLength;
  for (let i = 0; i + 5 < words.length; i++) {
    const table = words[i];
    const bytes = words[i + 1];
    if (table < RAM || table >= end || bytes < 256 || bytes > 65536) continue;
    for (const at of [i + 2, i + 3]) { // with and without a table of finalisers between
      const pool = words[at];
      const size = words[at + 1] - pool;
      if (pool >= table + bytes && pool % BLOCK === 0 && size === bytes * 4 * BLOCK && pool + size <= end) {
        const kinds = sram.subarray(table - RAM, table - RAM + bytes);
        const now = count(unpacked(kinds)).free;
        const { free, hole } = count(collected(unpacked(kinds), words, table, pool, registers));
        return { bytes: size, free, hole, now };
      }
    }
  }
  return null;
}

const [FREE, HEAD, TAIL, MARKED] = [0, 1, 2, 3];

/** The kind of each block. */
function unpacked(table) {
  const kinds = new Uint8Array(table.length * 4);
  table.forEach((byte, i) => {
    for (let k = 0; k < 4; k++) kinds[4 * i + k] = (byte >> (2 * k)) & 3;
  });
  return kinds;
}

/** The kinds as a collection would leave them. */
function collected(kinds, words, table, pool, registers) {
  const waiting = [];
  const point = (word) => {
    const block = (word - pool) / BLOCK;
    if (Number.isInteger(block) && kinds[block] === HEAD) {
      kinds[block] = MARKED;
      waiting.push(block);
    }
  };
  const place = (address) => (address - RAM) >> 2;
  registers.forEach(point);
  words.subarray(0, place(table)).forEach(point);
  const above = Math.max(pool + kinds.length * BLOCK, registers[13]); // of the stack, what is in use
  words.subarray(place(above)).forEach(point);
  while (waiting.length) {
    let block = waiting.pop();
    do {
      const at = place(pool + block * BLOCK);
      words.subarray(at, at + BLOCK / 4).forEach(point);
      block++;
    } while (kinds[block] === TAIL);
  }
  let held = false;
  return kinds.map((kind) => {
    if (kind !== TAIL) held = kind === MARKED;
    return held ? kind : FREE;
  });
}

function count(kinds) {
  let free = 0;
  let run = 0;
  let hole = 0;
  for (const kind of kinds) {
    run = kind === FREE ? run + 1 : 0;
    free += kind === FREE;
    hole = Math.max(hole, run);
  }
  return { free: free * BLOCK, hole: hole * BLOCK };
}
