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
    this.kinds = { idle: fresh(), sample: fresh(), flash: fresh() };
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
    }
    this.from = { ns, busy, operations };
    this.sampled = false;
  }
}

/**
 * {bytes, free, hole}: size of the heap, bytes of free blocks, the largest free piece; null when
 * no heap is there.  Garbage that was not yet collected counts as used.
 */
export function heap(sram) {
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
        return count(sram.subarray(table - RAM, table - RAM + bytes));
      }
    }
  }
  return null;
}

function count(table) {
  let free = 0;
  let run = 0;
  let hole = 0;
  for (const byte of table) {
    for (let shift = 0; shift < 8; shift += 2) {
      if ((byte >> shift) & 3) run = 0;
      else {
        free++;
        run++;
        if (run > hole) hole = run;
      }
    }
  }
  return { bytes: table.length * 4 * BLOCK, free: free * BLOCK, hole: hole * BLOCK };
}
