/**
 * The two PIO blocks, stepped at their own clock dividers and exact at pin edges.
 *
 * RP2040 data sheet, chapter 3.  A machine's instructions fall on whole system cycles
 * (fractional dividers: the mean is exact, the edges are rounded down).  Machines are advanced
 * only when somebody looks: `advance(cycle)` is called before a pin changes, before the processor
 * touches a register, and at the end of a slice.  A machine that waits is parked until something
 * changes; a loop that only counts X down is skipped in one go.
 */

const FSTAT_TXEMPTY = 24, FSTAT_TXFULL = 16, FSTAT_RXEMPTY = 8, FSTAT_RXFULL = 0;
const FDEBUG_TXSTALL = 24, FDEBUG_TXOVER = 16, FDEBUG_RXUNDER = 8, FDEBUG_RXSTALL = 0;
const AUTOPUSH = 1 << 16, AUTOPULL = 1 << 17, IN_RIGHT = 1 << 18, OUT_RIGHT = 1 << 19;
const JOIN_TX = 1 << 30, JOIN_RX = 1 << 31;

const ones = (count) => (count >= 32 ? 0xffffffff : (2 ** count - 1) >>> 0);

function reversed(value) {
  let out = 0;
  for (let i = 0; i < 32; i++) if ((value >>> i) & 1) out |= 1 << (31 - i);
  return out >>> 0;
}

class Machine {
  constructor(block, index) {
    this.block = block;
    this.index = index;
    this.enabled = false;
    this.waiting = false; // rp2040js looks at these two; nothing waits in its sense here
    this.waitType = 0;
    this.x = this.y = this.isr = this.osr = 0;
    this.isrCount = 0;
    this.osrCount = 32;
    this.pc = 0;
    this.forced = -1; // instruction from EXEC or from the processor that stalled
    this.clkdiv = 1 << 16;
    this.execctrl = 0x1f << 12;
    this.shiftctrl = 0b11 << 18;
    this.pinctrl = 0x5 << 26;
    this.rx = [];
    this.tx = [];
    this.parked = false;
    this.origin = 0; // system cycle of tick 0 of the divider
    this.tick = 0; // when the next instruction runs
    this.activity = 0; // counts what a skipped loop must not hold
    this.seen = new Array(32).fill(null); // state at the last jump back to this address
  }

  get divider() { // in 1/256 cycle
    const whole = this.clkdiv >>> 16;
    return whole ? (this.clkdiv >>> 8) & 0xffffff : 65536 * 256;
  }

  cycleOf(tick) {
    return this.origin + Math.floor((tick * this.divider) / 256);
  }

  /** First tick at or after `cycle`. */
  tickFrom(cycle) {
    return Math.max(0, Math.ceil(((cycle - this.origin) * 256) / this.divider));
  }

  get rxDepth() {
    return this.shiftctrl & JOIN_RX ? 8 : this.shiftctrl & JOIN_TX ? 0 : 4;
  }

  get txDepth() {
    return this.shiftctrl & JOIN_TX ? 8 : this.shiftctrl & JOIN_RX ? 0 : 4;
  }

  wake(cycle) {
    if (!this.parked) return;
    this.parked = false;
    this.tick = Math.max(this.tick, this.tickFrom(cycle));
  }

  /** Run every instruction that is due before `cycle`. */
  advance(cycle) {
    while (this.enabled && !this.parked) {
      const due = this.cycleOf(this.tick);
      if (due >= cycle) return;
      this.block.time = due;
      this.step(cycle);
    }
  }

  step(until) {
    const from = this.pc;
    const forced = this.forced;
    const code = forced >= 0 ? forced : this.block.program[from];
    this.forced = -1;
    const sides = (this.pinctrl >>> 29) & 7;
    this.sideset(code, sides);
    const delay = (code >> 8) & ones(5 - sides);
    const next = this.execute(code);
    if (next === -2) { // stalled
      if (forced >= 0) this.forced = forced;
      this.parked = true;
      return;
    }
    this.tick += 1 + delay;
    if (next >= 0) {
      this.pc = next;
      if (next <= from) this.skip(next, until);
    } else if (forced < 0) {
      this.pc = from === ((this.execctrl >>> 12) & 31) ? (this.execctrl >>> 7) & 31 : (from + 1) & 31;
      if (this.pc <= from) this.skip(this.pc, until);
    }
  }

  /** At a jump back: leave out rounds in which only X counts down. */
  skip(at, until) {
    const s = this.seen[at];
    if (s && s.activity === this.activity && s.y === this.y && s.isr === this.isr && s.osr === this.osr
        && s.isrCount === this.isrCount && s.osrCount === this.osrCount) {
      const round = this.tick - s.tick;
      const fall = s.x - this.x;
      let rounds = Math.floor((this.tickFrom(until) - 1 - this.tick) / round);
      if (fall > 0) rounds = Math.min(rounds, Math.floor(this.x / fall));
      if (rounds > 0 && fall >= 0) {
        this.tick += rounds * round;
        this.x -= rounds * fall;
      }
    }
    this.seen[at] = { activity: this.activity, y: this.y, isr: this.isr, osr: this.osr, x: this.x,
      isrCount: this.isrCount, osrCount: this.osrCount, tick: this.tick };
  }

  sideset(code, sides) {
    if (!sides) return;
    const optional = this.execctrl & (1 << 30);
    const field = (code >> 8) & 31;
    if (optional && !(field & 16)) return;
    const bits = optional ? sides - 1 : sides;
    const value = (field >> (5 - sides)) & ones(bits);
    const base = (this.pinctrl >>> 10) & 31;
    if (this.execctrl & (1 << 29)) this.block.drive(value, base, bits, true);
    else this.block.drive(value, base, bits, false);
  }

  /** Returns the address to go on at, -1 for the next one, -2 for a stall. */
  execute(code) {
    const arg = code & 0xff;
    switch (code >> 13) {
      case 0: return this.condition(arg >> 5) ? arg & 31 : -1;
      case 1: return this.wait(arg) ? -1 : -2;
      case 2: return this.shiftIn(arg);
      case 3: return this.shiftOut(arg);
      case 4: return arg & 0x80 ? this.pull(arg) : this.push(arg);
      case 5: return this.move(arg);
      case 6: return this.irq(arg);
      default: return this.set(arg);
    }
  }

  condition(which) {
    switch (which) {
      case 0: return true;
      case 1: this.activity++; return this.x === 0;
      case 2: {
        const before = this.x;
        if (before === 0) this.activity++;
        this.x = (before - 1) >>> 0;
        return before !== 0;
      }
      case 3: return this.y === 0;
      case 4: {
        const before = this.y;
        this.y = (before - 1) >>> 0;
        return before !== 0;
      }
      case 5: this.activity++; return this.x !== this.y;
      case 6: return ((this.block.inputs() >>> ((this.execctrl >>> 24) & 31)) & 1) === 1;
      default: return this.osrCount < (((this.shiftctrl >>> 25) & 31) || 32);
    }
  }

  wait(arg) {
    const level = arg >> 7;
    let index = arg & 31;
    const source = (arg >> 5) & 3;
    if (source === 2) {
      index = this.flag(index);
      if (((this.block.flags >> index) & 1) !== level) return false;
      if (level) this.block.setFlags(this.block.flags & ~(1 << index));
      this.activity++;
      return true;
    }
    if (source === 1) index = (index + ((this.pinctrl >>> 15) & 31)) & 31;
    return ((this.block.inputs() >>> index) & 1) === level;
  }

  flag(arg) {
    return arg & 0x10 ? (arg & 4) | (((arg & 3) + this.index) & 3) : arg & 7;
  }

  source(which) {
    switch (which) {
      case 0: {
        const base = (this.pinctrl >>> 15) & 31;
        const pins = this.block.inputs();
        return base ? ((pins >>> base) | (pins << (32 - base))) >>> 0 : pins >>> 0;
      }
      case 1: this.activity++; return this.x;
      case 2: return this.y;
      case 5: {
        this.activity++;
        const level = this.execctrl & 16 ? this.rx.length : this.tx.length;
        return level < (this.execctrl & 15) ? 0xffffffff : 0;
      }
      case 6: return this.isr;
      case 7: return this.osr;
      default: return 0;
    }
  }

  shiftIn(arg) {
    const threshold = ((this.shiftctrl >>> 20) & 31) || 32;
    if (this.shiftctrl & AUTOPUSH && this.isrCount >= threshold && this.rx.length >= this.rxDepth) {
      this.block.fdebug |= 1 << (FDEBUG_RXSTALL + this.index);
      return -2;
    }
    const bits = (arg & 31) || 32;
    const value = (this.source(arg >> 5) & ones(bits)) >>> 0;
    if (bits === 32) this.isr = value;
    else if (this.shiftctrl & IN_RIGHT) this.isr = ((this.isr >>> bits) | (value << (32 - bits))) >>> 0;
    else this.isr = ((this.isr << bits) | value) >>> 0;
    this.isrCount = Math.min(32, this.isrCount + bits);
    if (this.shiftctrl & AUTOPUSH && this.isrCount >= threshold) {
      if (this.rx.length >= this.rxDepth) return -1; // the next IN stalls
      this.give();
    }
    return -1;
  }

  give() {
    this.rx.push(this.isr);
    this.isr = 0;
    this.isrCount = 0;
    this.activity++;
    this.block.levelsChanged();
  }

  shiftOut(arg) {
    const threshold = ((this.shiftctrl >>> 25) & 31) || 32;
    if (this.shiftctrl & AUTOPULL && this.osrCount >= threshold) {
      if (!this.tx.length) {
        this.block.fdebug |= 1 << (FDEBUG_TXSTALL + this.index);
        return -2;
      }
      this.take();
    }
    this.activity++;
    const bits = (arg & 31) || 32;
    let value;
    if (this.shiftctrl & OUT_RIGHT) {
      value = (this.osr & ones(bits)) >>> 0;
      this.osr = bits === 32 ? 0 : this.osr >>> bits;
    } else {
      value = bits === 32 ? this.osr : this.osr >>> (32 - bits);
      this.osr = bits === 32 ? 0 : (this.osr << bits) >>> 0;
    }
    this.osrCount = Math.min(32, this.osrCount + bits);
    switch (arg >> 5) {
      case 0: this.block.drive(value, this.pinctrl & 31, (this.pinctrl >>> 20) & 63, false); return -1;
      case 1: this.x = value; return -1;
      case 2: this.y = value; return -1;
      case 4: this.block.drive(value, this.pinctrl & 31, (this.pinctrl >>> 20) & 63, true); return -1;
      case 5: return value & 31;
      case 6: this.isr = value; this.isrCount = bits; return -1;
      case 7: this.forced = value & 0xffff; return -1;
      default: return -1;
    }
  }

  take() {
    this.osr = this.tx.shift();
    this.osrCount = 0;
    this.activity++;
    this.block.levelsChanged();
  }

  push(arg) {
    if (arg & 0x40 && this.isrCount < (((this.shiftctrl >>> 20) & 31) || 32)) return -1;
    if (this.rx.length >= this.rxDepth) {
      this.block.fdebug |= 1 << (FDEBUG_RXSTALL + this.index);
      if (arg & 0x20) return -2;
      this.isr = 0;
      this.isrCount = 0;
      return -1;
    }
    this.give();
    return -1;
  }

  pull(arg) {
    if (arg & 0x40 && this.osrCount < (((this.shiftctrl >>> 25) & 31) || 32)) return -1;
    if (!this.tx.length) {
      if (arg & 0x20) {
        this.block.fdebug |= 1 << (FDEBUG_TXSTALL + this.index);
        return -2;
      }
      this.activity++;
      this.osr = this.x;
      this.osrCount = 0;
      return -1;
    }
    this.take();
    return -1;
  }

  move(arg) {
    let value = this.source(arg & 7);
    const change = (arg >> 3) & 3;
    if (change === 1) value = ~value >>> 0;
    else if (change === 2) value = reversed(value);
    switch (arg >> 5) {
      case 0: this.block.drive(value, this.pinctrl & 31, (this.pinctrl >>> 20) & 63, false); return -1;
      case 1: this.activity++; this.x = value; return -1;
      case 2: this.y = value; return -1;
      case 4: this.forced = value & 0xffff; return -1;
      case 5: return value & 31;
      case 6: this.isr = value; this.isrCount = 0; return -1;
      case 7: this.osr = value; this.osrCount = 0; return -1;
      default: return -1;
    }
  }

  irq(arg) {
    const bit = 1 << this.flag(arg & 31);
    this.activity++;
    if (arg & 0x40) this.block.setFlags(this.block.flags & ~bit);
    else if (arg & 0x20 && this.raised) { // waits until somebody has cleared it
      if (this.block.flags & bit) return -2;
      this.raised = false;
    } else {
      this.block.setFlags(this.block.flags | bit);
      if (arg & 0x20) {
        this.raised = true;
        return -2;
      }
    }
    return -1;
  }

  set(arg) {
    const value = arg & 31;
    const base = (this.pinctrl >>> 5) & 31;
    const count = (this.pinctrl >>> 26) & 7;
    switch (arg >> 5) {
      case 0: this.block.drive(value, base, count, false); break;
      case 1: this.activity++; this.x = value; break;
      case 2: this.y = value; break;
      case 4: this.block.drive(value, base, count, true); break;
    }
    return -1;
  }

  restart() {
    this.isrCount = 0;
    this.osrCount = 32;
    this.isr = 0;
    this.forced = -1;
    this.raised = false;
    this.parked = false;
    this.activity++;
  }
}

/** The register block; `Base` is rp2040js' BasePeripheral, `chip` gives `cycle()` and `inputs`. */
export function makePio(Base) {
  return class PioBlock extends Base {
    constructor(rp2040, name, firstIrq, chip) {
      super(rp2040, name);
      this.firstIrq = firstIrq;
      this.chip = chip;
      this.program = new Uint16Array(32);
      this.machines = [0, 1, 2, 3].map((i) => new Machine(this, i));
      this.pinValues = 0;
      this.pinDirections = 0;
      this.fdebug = 0;
      this.flags = 0;
      this.enables = [0, 0];
      this.forces = [0, 0];
      this.time = 0; // cycle of the instruction that runs
    }

    /** True when an interrupt of the block may come without the processor looking. */
    get asynchronous() {
      return (this.enables[0] | this.enables[1]) !== 0;
    }

    inputs() {
      return this.chip.inputs;
    }

    advance(cycle) {
      for (const m of this.machines) if (m.enabled && !m.parked) m.advance(cycle);
    }

    /** Something that a parked machine may wait for has changed. */
    wakeAll(cycle) {
      for (const m of this.machines) m.wake(cycle);
    }

    drive(value, base, count, direction) {
      if (!count) return;
      const field = ones(count);
      const mask = base ? (field << base) | (base + count > 32 ? field >>> (32 - base) : 0) : field;
      const bits = base ? (value << base) | (base + count > 32 ? value >>> (32 - base) : 0) : value;
      const before = direction ? this.pinDirections : this.pinValues;
      const after = ((before & ~mask) | (bits & mask)) & 0x3fffffff;
      if (after === before) return;
      if (direction) this.pinDirections = after;
      else this.pinValues = after;
      for (const m of this.machines) m.activity++;
      this.chip.pioPins(before ^ after, this.time);
    }

    setFlags(flags) {
      if (flags === this.flags) return;
      this.flags = flags;
      this.wakeAll(this.time);
      this.levelsChanged();
    }

    get raw() {
      let out = (this.flags & 15) << 8;
      this.machines.forEach((m, i) => {
        if (m.tx.length < m.txDepth) out |= 0x10 << i;
        if (m.rx.length) out |= 1 << i;
      });
      return out;
    }

    levelsChanged() {
      if (!(this.enables[0] | this.enables[1] | this.forces[0] | this.forces[1])) return;
      for (const line of [0, 1]) {
        const on = (this.raw & this.enables[line]) | this.forces[line];
        this.rp2040.setInterrupt(this.firstIrq + line, on !== 0);
      }
    }

    readUint32(offset) {
      this.advance(this.chip.cycle());
      if (offset >= 0xc8 && offset <= 0x124) return this.readMachine((offset - 0xc8) / 24 | 0, (offset - 0xc8) % 24);
      if (offset >= 0x20 && offset <= 0x2c) return this.readFifo(this.machines[(offset - 0x20) >> 2]);
      if (offset >= 0x48 && offset <= 0xc4) return 0;
      switch (offset) {
        case 0x00: return this.machines.reduce((out, m, i) => out | (m.enabled ? 1 << i : 0), 0);
        case 0x04: return this.machines.reduce((out, m, i) => out
          | (m.tx.length ? 0 : 1 << (FSTAT_TXEMPTY + i)) | (m.tx.length < m.txDepth ? 0 : 1 << (FSTAT_TXFULL + i))
          | (m.rx.length ? 0 : 1 << (FSTAT_RXEMPTY + i)) | (m.rx.length < m.rxDepth ? 0 : 1 << (FSTAT_RXFULL + i)), 0);
        case 0x08: return this.fdebug;
        case 0x0c: return this.machines.reduce((out, m, i) => out
          | (m.tx.length << (8 * i)) | (m.rx.length << (8 * i + 4)), 0);
        case 0x30: return this.flags;
        case 0x34: case 0x38: return 0;
        case 0x3c: return this.pinValues;
        case 0x40: return this.pinDirections;
        case 0x44: return 0x200404;
        case 0x128: return this.raw;
        case 0x12c: return this.enables[0];
        case 0x130: return this.forces[0];
        case 0x134: return (this.raw & this.enables[0]) | this.forces[0];
        case 0x138: return this.enables[1];
        case 0x13c: return this.forces[1];
        case 0x140: return (this.raw & this.enables[1]) | this.forces[1];
        default: return super.readUint32(offset);
      }
    }

    readFifo(m) {
      if (!m.rx.length) {
        this.fdebug |= 1 << (FDEBUG_RXUNDER + m.index);
        return 0;
      }
      const value = m.rx.shift();
      this.chip.wordRead(m);
      m.activity++;
      m.wake(this.chip.cycle());
      this.levelsChanged();
      return value;
    }

    readMachine(index, register) {
      const m = this.machines[index];
      switch (register) {
        case 0: return m.clkdiv;
        case 4: return (m.execctrl & 0x7fffffff) | (m.parked && m.forced >= 0 ? 0x80000000 : 0);
        case 8: return m.shiftctrl;
        case 12: return m.pc;
        case 16: return this.program[m.pc];
        default: return m.pinctrl;
      }
    }

    writeUint32(offset, value) {
      const cycle = this.chip.cycle();
      this.advance(cycle);
      this.time = cycle;
      if (offset >= 0x48 && offset <= 0xc4) {
        this.program[(offset - 0x48) >> 2] = value;
        return;
      }
      if (offset >= 0xc8 && offset <= 0x124) {
        this.writeMachine(this.machines[(offset - 0xc8) / 24 | 0], (offset - 0xc8) % 24, value, cycle);
        return;
      }
      switch (offset) {
        case 0x00: this.control(value, cycle); break;
        case 0x08: this.fdebug &= ~this.rawWriteValue; break;
        case 0x10: case 0x14: case 0x18: case 0x1c: {
          const m = this.machines[(offset - 0x10) >> 2];
          if (m.tx.length >= m.txDepth) this.fdebug |= 1 << (FDEBUG_TXOVER + m.index);
          else m.tx.push(value >>> 0);
          m.activity++;
          m.wake(cycle);
          this.levelsChanged();
          break;
        }
        case 0x30: this.setFlags(this.flags & ~this.rawWriteValue); break;
        case 0x34: this.setFlags(this.flags | (value & 0xff)); break;
        case 0x38: break; // synchroniser bypass: two cycles that are not modelled
        case 0x12c: this.enables[0] = value & 0xfff; this.refresh(); break;
        case 0x130: this.forces[0] = value & 0xfff; this.refresh(); break;
        case 0x138: this.enables[1] = value & 0xfff; this.refresh(); break;
        case 0x13c: this.forces[1] = value & 0xfff; this.refresh(); break;
        default: super.writeUint32(offset, value);
      }
    }

    refresh() {
      for (const line of [0, 1]) {
        const on = (this.raw & this.enables[line]) | this.forces[line];
        this.rp2040.setInterrupt(this.firstIrq + line, on !== 0);
      }
    }

    control(value, cycle) {
      this.machines.forEach((m, i) => {
        if (value & (0x10 << i)) m.restart();
        const on = (value & (1 << i)) !== 0;
        if (value & (0x100 << i)) {
          m.origin = cycle;
          m.tick = 0;
          m.seen.fill(null);
        }
        if (on && !m.enabled) {
          m.tick = m.tickFrom(cycle);
          m.parked = false;
          m.seen.fill(null);
        }
        m.enabled = on;
      });
    }

    writeMachine(m, register, value, cycle) {
      m.activity++;
      m.wake(cycle);
      switch (register) {
        case 0:
          m.clkdiv = value & 0xffffff00;
          m.origin = cycle;
          m.tick = 0;
          m.seen.fill(null);
          break;
        case 4: m.execctrl = value & 0x7fffffff; break;
        case 8:
          if ((m.shiftctrl ^ value) & (JOIN_RX | JOIN_TX)) { // joining empties both
            m.rx = [];
            m.tx = [];
          }
          m.shiftctrl = value;
          break;
        case 16: { // an instruction of the processor, executed at once
          const code = value & 0xffff;
          m.sideset(code, (m.pinctrl >>> 29) & 7);
          const next = m.execute(code);
          if (next >= 0) m.pc = next;
          else if (next === -2) m.forced = code;
          break;
        }
        case 20: m.pinctrl = value; break;
      }
    }
  };
}
