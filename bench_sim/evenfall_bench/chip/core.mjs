/**
 * A faster Cortex-M0+ for rp2040js: same registers, interrupts and interface as its own core.
 *
 * The emulator's core tests up to sixty opcode patterns per instruction; here a table of all
 * 65,536 halfwords gives the operation.  Boot ROM, flash and RAM lie in one buffer, so that code
 * and data are read from typed arrays; everything else goes through the emulator's peripherals,
 * with the clock set to the instruction's own time.  Instruction times: ARM DDI 0484C, table 3-1
 * (single-cycle multiplier); bus times of peripherals as rp2040js has them.
 *
 * `xip` adds a model of the flash cache: 16 kB, two ways, lines of 8 bytes (RP2040 data sheet,
 * section 2.6.3), MISS_CYCLES for a line that has to come from flash.
 */

export const ROM_AT = 0; // places in the common buffer
export const FLASH_AT = 0x400000;
export const RAM_AT = 0x800000;
export const BUFFER_BYTES = 0xa00000;
export const FLASH_BYTES = 0x200000; // W25Q16: 2 MB
export const RAM_BYTES = 264 * 1024;

// 8 address and mode nibbles, 4 dummy clocks, 16 data nibbles, 3 to start and stop; 2 cycles a clock
const MISS_CYCLES = 62;
const SETS = 1024;

const OP = {
  UNDEFINED: 0, LSL_I: 1, LSR_I: 2, ASR_I: 3, ADD_R: 4, SUB_R: 5, ADD_3: 6, SUB_3: 7,
  MOV_8: 8, CMP_8: 9, ADD_8: 10, SUB_8: 11, DATA: 12, ADD_HI: 28, CMP_HI: 29, MOV_HI: 30,
  BX: 31, BLX: 32, LDR_PC: 33, STORE_LOAD_R: 34, STR_I: 42, LDR_I: 43, STRB_I: 44, LDRB_I: 45,
  STRH_I: 46, LDRH_I: 47, STR_SP: 48, LDR_SP: 49, ADR: 50, ADD_RD_SP: 51, ADD_SP: 52, SUB_SP: 53,
  SXTH: 54, SXTB: 55, UXTH: 56, UXTB: 57, PUSH: 58, CPS: 59, REV: 60, REV16: 61, REVSH: 62,
  POP: 63, BKPT: 64, HINT: 65, STM: 66, LDM: 67, B_IF: 68, UDF: 82, SVC: 83, B: 84, WIDE: 85,
};

function operation(h) {
  const top5 = h >>> 11;
  switch (top5) {
    case 0: return OP.LSL_I;
    case 1: return OP.LSR_I;
    case 2: return OP.ASR_I;
    case 3: return [OP.ADD_R, OP.SUB_R, OP.ADD_3, OP.SUB_3][(h >>> 9) & 3];
    case 4: return OP.MOV_8;
    case 5: return OP.CMP_8;
    case 6: return OP.ADD_8;
    case 7: return OP.SUB_8;
    case 8:
      if (!(h & 0x400)) return OP.DATA + ((h >>> 6) & 15);
      if ((h & 0x300) === 0x300) return h & 0x80 ? OP.BLX : OP.BX;
      return [OP.ADD_HI, OP.CMP_HI, OP.MOV_HI][(h >>> 8) & 3];
    case 9: return OP.LDR_PC;
    case 10: case 11: return OP.STORE_LOAD_R + ((h >>> 9) & 7);
    case 12: return OP.STR_I;
    case 13: return OP.LDR_I;
    case 14: return OP.STRB_I;
    case 15: return OP.LDRB_I;
    case 16: return OP.STRH_I;
    case 17: return OP.LDRH_I;
    case 18: return OP.STR_SP;
    case 19: return OP.LDR_SP;
    case 20: return OP.ADR;
    case 21: return OP.ADD_RD_SP;
    case 22: case 23: return miscellaneous(h);
    case 24: return OP.STM;
    case 25: return OP.LDM;
    case 26: case 27: {
      const condition = (h >>> 8) & 15;
      return condition === 15 ? OP.SVC : condition === 14 ? OP.UDF : OP.B_IF + condition;
    }
    case 28: return OP.B;
    case 30: return OP.WIDE;
    default: return OP.UNDEFINED;
  }
}

function miscellaneous(h) {
  switch ((h >>> 8) & 15) {
    case 0: return h & 0x80 ? OP.SUB_SP : OP.ADD_SP;
    case 2: return OP.SXTH + ((h >>> 6) & 3);
    case 4: case 5: return OP.PUSH;
    case 6: return OP.CPS;
    case 10: return [OP.REV, OP.REV16, OP.UNDEFINED, OP.REVSH][(h >>> 6) & 3];
    case 12: case 13: return OP.POP;
    case 14: return OP.BKPT;
    case 15: return OP.HINT;
    default: return OP.UNDEFINED;
  }
}

const OPERATIONS = new Uint8Array(65536);
for (let h = 0; h < 65536; h++) OPERATIONS[h] = operation(h);

/** Where a block of 16 MB of the address space lies in the buffer; -1: through the peripherals. */
const READ_AT = new Int32Array(256).fill(-1);
READ_AT[0x00] = ROM_AT;
READ_AT.fill(FLASH_AT, 0x10, 0x14); // the four aliases of the flash
READ_AT[0x20] = RAM_AT;
const WITHIN = 0x3fffff;

/** The core's class; `Base` is rp2040js' CortexM0Core. */
export function makeCore(Base) {
  return class FastCore extends Base {
    constructor(rp2040, buffer, xip) {
      super(rp2040);
      this.r = new Int32Array(this.registers.buffer);
      this.u8 = new Uint8Array(buffer);
      this.u16 = new Uint16Array(buffer);
      this.i32 = new Int32Array(buffer);
      this.limit = 0;
      this.until = 0;
      this.xip = xip;
      this.tags = new Int32Array(2 * SETS).fill(-1);
      this.fault = ''; // what stopped the core, for the log
      this.onBus = () => {}; // called with `cycles` set before a peripheral is touched
      this.onBusDone = () => {}; // called after a peripheral was written
    }

    /** Cycles that a look at line `line` (bytes / 8) of the flash costs. */
    cacheCycles(line) {
      const { tags } = this;
      const at = (line & (SETS - 1)) << 1;
      if (tags[at] === line) return 0;
      if (tags[at + 1] === line) {
        tags[at + 1] = tags[at];
        tags[at] = line;
        return 0;
      }
      tags[at + 1] = tags[at];
      tags[at] = line;
      return MISS_CYCLES;
    }

    flushCache() {
      this.tags.fill(-1);
    }

    busRead(address, bytes) {
      this.onBus();
      const a = address >>> 0;
      if (bytes === 4) return this.rp2040.readUint32(a & ~3);
      if (bytes === 2) return this.rp2040.readUint16(a);
      return this.rp2040.readUint8(a);
    }

    busWrite(address, value, bytes) {
      this.onBus();
      const a = address >>> 0;
      const { cycles } = this;
      if (bytes === 4) this.rp2040.writeUint32(a, value >>> 0);
      else if (bytes === 2) this.rp2040.writeUint16(a, value & 0xffff);
      else this.rp2040.writeUint8(a, value & 0xff);
      if (a >>> 28 === 0xd) this.cycles = cycles; // programs wait for the divider by themselves
      this.onBusDone();
      if (this.interruptsUpdated) this.limit = 0;
    }

    /** Extra cycles of a bus access beyond the one every load or store takes. */
    busCycles(address, write) {
      const top = address >>> 28;
      return top === 0xd ? 0 : top === 4 ? (write ? 4 : 3) : 1;
    }

    hardFault(text) {
      this.fault = text;
      this.waiting = true;
      this.limit = 0;
    }

    /** A pending and enabled interrupt ends WFE and WFI. */
    setInterrupt(irq, value) {
      if (!value) {
        this.pendingInterrupts &= ~(1 << irq);
        return;
      }
      if (this.pendingInterrupts & (1 << irq)) return;
      this.pendingInterrupts |= 1 << irq;
      this.interruptsUpdated = true;
      if (this.waiting && !this.fault && this.pendingInterrupts & this.enabledInterrupts) this.waiting = false;
    }

    get interruptDue() {
      return (this.pendingInterrupts & this.enabledInterrupts) !== 0
        || this.pendingPendSV || this.pendingSystick || this.pendingSVCall || this.pendingNMI;
    }

    /** Run until `cycles` reaches `until`, which `endBy` may bring nearer, or the core waits. */
    runUntil(until) {
      this.until = until;
      while (this.cycles < this.until && !this.waiting) {
        if (this.interruptsUpdated) this.checkForInterrupts();
        this.limit = this.until;
        this.inner();
      }
    }

    /** Something is due at `cycle`: the run ends there at the latest. */
    endBy(cycle) {
      if (cycle < this.until) this.until = cycle;
      if (cycle < this.limit) this.limit = cycle;
    }

    /** Wide instructions: BL, barriers, MRS and MSR. Returns false for BL, which the loop does. */
    system(first, second) {
      if (first === 0xf3ef) {
        this.r[(second >>> 8) & 15] = this.readSpecialRegister(second & 0xff);
      } else if ((first & 0xfff0) === 0xf380) {
        this.writeSpecialRegister(second & 0xff, this.registers[first & 15]);
        if (this.interruptsUpdated) this.limit = 0;
      } else if (first !== 0xf3bf) {
        this.hardFault(`undefined instruction ${first.toString(16)} ${second.toString(16)}`);
      }
    }

    /**
     * The interpreter's loop.  Long because a switch in one function is what the JavaScript
     * compiler turns into a jump table; every case is one instruction of the ARMv6-M manual.
     */
    inner() {
      const { r, u8, u16, i32, xip } = this;
      let cycles = this.cycles;
      let limit = this.limit;
      // the program counter as an index of halfwords in the buffer; `away` takes it to an address
      let pc = this.PC >>> 0;
      let away = READ_AT[pc >>> 24] < 0 ? -1 : READ_AT[pc >>> 24] - ((pc & ~WITHIN) | 0);
      if (READ_AT[pc >>> 24] < 0) {
        this.hardFault(`jump to ${pc.toString(16)}`);
        return;
      }
      let ip = (pc + away) >>> 1;
      let n = this.N ? -1 : 0; // negative when N is set
      let z = this.Z ? 0 : 1; // zero when Z is set
      let c = this.C ? 1 : 0;
      let v = this.V ? 1 : 0;
      let line = -1;
      let a = 0;
      let b = 0;
      let x = 0;
      let at = 0;
      let target = 0;
      let jump = false; // the case computed an address to go to
      while (cycles < limit) {
        if (xip && ip >> 2 !== line) {
          line = ip >> 2;
          if (line >= FLASH_AT >> 3 && line < RAM_AT >> 3) cycles += this.cacheCycles(line);
        }
        const h = u16[ip++];
        cycles++;
        switch (OPERATIONS[h]) {
          case 1: // LSLS immediate; 0: MOVS register
            x = (h >> 6) & 31;
            a = r[(h >> 3) & 7];
            if (x) {
              c = (a >>> (32 - x)) & 1;
              a <<= x;
            }
            r[h & 7] = n = z = a;
            break;
          case 2: // LSRS immediate
            x = (h >> 6) & 31;
            a = r[(h >> 3) & 7];
            if (x) {
              c = (a >>> (x - 1)) & 1;
              a >>>= x;
            } else {
              c = a >>> 31;
              a = 0;
            }
            r[h & 7] = n = z = a | 0;
            break;
          case 3: // ASRS immediate
            x = (h >> 6) & 31;
            a = r[(h >> 3) & 7];
            if (x) {
              c = (a >>> (x - 1)) & 1;
              a >>= x;
            } else {
              c = a >>> 31;
              a >>= 31;
            }
            r[h & 7] = n = z = a;
            break;
          case 4: // ADDS register
            a = r[(h >> 3) & 7];
            b = r[(h >> 6) & 7];
            x = (a + b) | 0;
            c = x >>> 0 < a >>> 0 ? 1 : 0;
            v = ((a ^ x) & (b ^ x)) >>> 31;
            r[h & 7] = n = z = x;
            break;
          case 5: // SUBS register
            a = r[(h >> 3) & 7];
            b = r[(h >> 6) & 7];
            x = (a - b) | 0;
            c = a >>> 0 >= b >>> 0 ? 1 : 0;
            v = ((a ^ b) & (a ^ x)) >>> 31;
            r[h & 7] = n = z = x;
            break;
          case 6: // ADDS 3-bit immediate
            a = r[(h >> 3) & 7];
            b = (h >> 6) & 7;
            x = (a + b) | 0;
            c = x >>> 0 < a >>> 0 ? 1 : 0;
            v = ((a ^ x) & (b ^ x)) >>> 31;
            r[h & 7] = n = z = x;
            break;
          case 7: // SUBS 3-bit immediate
            a = r[(h >> 3) & 7];
            b = (h >> 6) & 7;
            x = (a - b) | 0;
            c = a >>> 0 >= b ? 1 : 0;
            v = ((a ^ b) & (a ^ x)) >>> 31;
            r[h & 7] = n = z = x;
            break;
          case 8: // MOVS 8-bit immediate
            r[(h >> 8) & 7] = n = z = h & 0xff;
            break;
          case 9: // CMP 8-bit immediate
            a = r[(h >> 8) & 7];
            b = h & 0xff;
            n = z = (a - b) | 0;
            c = a >>> 0 >= b ? 1 : 0;
            v = ((a ^ b) & (a ^ n)) >>> 31;
            break;
          case 10: // ADDS 8-bit immediate
            a = r[(h >> 8) & 7];
            b = h & 0xff;
            x = (a + b) | 0;
            c = x >>> 0 < a >>> 0 ? 1 : 0;
            v = ((a ^ x) & (b ^ x)) >>> 31;
            r[(h >> 8) & 7] = n = z = x;
            break;
          case 11: // SUBS 8-bit immediate
            a = r[(h >> 8) & 7];
            b = h & 0xff;
            x = (a - b) | 0;
            c = a >>> 0 >= b ? 1 : 0;
            v = ((a ^ b) & (a ^ x)) >>> 31;
            r[(h >> 8) & 7] = n = z = x;
            break;
          case 12: // ANDS
            r[h & 7] = n = z = r[h & 7] & r[(h >> 3) & 7];
            break;
          case 13: // EORS
            r[h & 7] = n = z = r[h & 7] ^ r[(h >> 3) & 7];
            break;
          case 14: // LSLS register
            x = r[(h >> 3) & 7] & 0xff;
            a = r[h & 7];
            if (x) {
              c = x <= 32 ? (x === 32 ? a & 1 : (a >>> (32 - x)) & 1) : 0;
              a = x < 32 ? a << x : 0;
            }
            r[h & 7] = n = z = a;
            break;
          case 15: // LSRS register
            x = r[(h >> 3) & 7] & 0xff;
            a = r[h & 7];
            if (x) {
              c = x <= 32 ? (a >>> (x - 1)) & 1 : 0;
              a = x < 32 ? a >>> x : 0;
            }
            r[h & 7] = n = z = a | 0;
            break;
          case 16: // ASRS register
            x = r[(h >> 3) & 7] & 0xff;
            a = r[h & 7];
            if (x) {
              c = x < 32 ? (a >>> (x - 1)) & 1 : a >>> 31;
              a = x < 32 ? a >> x : a >> 31;
            }
            r[h & 7] = n = z = a;
            break;
          case 17: // ADCS
            a = r[h & 7];
            b = r[(h >> 3) & 7];
            x = (a + b + c) | 0;
            v = ((a ^ x) & (b ^ x)) >>> 31;
            c = (a >>> 0) + (b >>> 0) + c > 0xffffffff ? 1 : 0;
            r[h & 7] = n = z = x;
            break;
          case 18: // SBCS
            a = r[h & 7];
            b = r[(h >> 3) & 7];
            x = (a - b - 1 + c) | 0;
            v = ((a ^ b) & (a ^ x)) >>> 31;
            c = a >>> 0 >= (b >>> 0) + 1 - c ? 1 : 0;
            r[h & 7] = n = z = x;
            break;
          case 19: // RORS
            x = r[(h >> 3) & 7] & 0xff;
            a = r[h & 7];
            if (x) {
              x &= 31;
              if (x) a = (a >>> x) | (a << (32 - x));
              c = a >>> 31;
            }
            r[h & 7] = n = z = a;
            break;
          case 20: // TST
            n = z = r[h & 7] & r[(h >> 3) & 7];
            break;
          case 21: // RSBS from zero
            b = r[(h >> 3) & 7];
            x = -b | 0;
            c = b === 0 ? 1 : 0;
            v = (b & x) >>> 31;
            r[h & 7] = n = z = x;
            break;
          case 22: // CMP register
            a = r[h & 7];
            b = r[(h >> 3) & 7];
            n = z = (a - b) | 0;
            c = a >>> 0 >= b >>> 0 ? 1 : 0;
            v = ((a ^ b) & (a ^ n)) >>> 31;
            break;
          case 23: // CMN
            a = r[h & 7];
            b = r[(h >> 3) & 7];
            n = z = (a + b) | 0;
            c = n >>> 0 < a >>> 0 ? 1 : 0;
            v = ((a ^ n) & (b ^ n)) >>> 31;
            break;
          case 24: // ORRS
            r[h & 7] = n = z = r[h & 7] | r[(h >> 3) & 7];
            break;
          case 25: // MULS
            r[h & 7] = n = z = Math.imul(r[h & 7], r[(h >> 3) & 7]);
            break;
          case 26: // BICS
            r[h & 7] = n = z = r[h & 7] & ~r[(h >> 3) & 7];
            break;
          case 27: // MVNS
            r[h & 7] = n = z = ~r[(h >> 3) & 7];
            break;
          case 28: // ADD with high registers
            x = (h >> 3) & 15;
            a = x === 15 ? (ip << 1) - away + 2 : r[x];
            x = ((h >> 4) & 8) | (h & 7);
            if (x === 15) {
              target = (a + (ip << 1) - away + 2) & ~1;
              jump = true;
              cycles++;
            } else if (x === 13) r[13] = (r[13] + a) & ~3;
            else r[x] = r[x] + a;
            break;
          case 29: // CMP with high registers
            x = (h >> 3) & 15;
            b = x === 15 ? (ip << 1) - away + 2 : r[x];
            a = r[((h >> 4) & 8) | (h & 7)];
            n = z = (a - b) | 0;
            c = a >>> 0 >= b >>> 0 ? 1 : 0;
            v = ((a ^ b) & (a ^ n)) >>> 31;
            break;
          case 30: // MOV with high registers
            x = (h >> 3) & 15;
            a = x === 15 ? (ip << 1) - away + 2 : r[x];
            x = ((h >> 4) & 8) | (h & 7);
            if (x === 15) {
              target = a & ~1;
              jump = true;
              cycles++;
            } else r[x] = x === 13 ? a & ~3 : a;
            break;
          case 31: // BX
            target = r[(h >> 3) & 15];
            jump = true;
            cycles++;
            break;
          case 32: // BLX
            target = r[(h >> 3) & 15];
            r[14] = ((ip << 1) - away) | 1;
            jump = true;
            cycles++;
            break;
          case 33: // LDR literal
            at = (((ip << 1) - away + 2) & ~3) + ((h & 0xff) << 2);
            b = READ_AT[at >>> 24];
            if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
            r[(h >> 8) & 7] = i32[(b + (at & WITHIN)) >> 2];
            cycles++;
            break;
          case 34: // STR register
            at = (r[(h >> 3) & 7] + r[(h >> 6) & 7]) | 0;
            if (at >>> 24 === 0x20) i32[(RAM_AT + (at & WITHIN)) >> 2] = r[h & 7];
            else {
              cycles += this.busCycles(at, true) - 1;
              this.cycles = cycles;
              this.busWrite(at, r[h & 7], 4);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 35: // STRH register
            at = (r[(h >> 3) & 7] + r[(h >> 6) & 7]) | 0;
            if (at >>> 24 === 0x20) u16[(RAM_AT + (at & WITHIN)) >> 1] = r[h & 7];
            else {
              cycles += this.busCycles(at, true) - 1;
              this.cycles = cycles;
              this.busWrite(at, r[h & 7], 2);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 36: // STRB register
            at = (r[(h >> 3) & 7] + r[(h >> 6) & 7]) | 0;
            if (at >>> 24 === 0x20) u8[RAM_AT + (at & WITHIN)] = r[h & 7];
            else {
              cycles += this.busCycles(at, true) - 1;
              this.cycles = cycles;
              this.busWrite(at, r[h & 7], 1);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 37: // LDRSB register
            at = (r[(h >> 3) & 7] + r[(h >> 6) & 7]) | 0;
            b = READ_AT[at >>> 24];
            if (b >= 0) {
              if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
              r[h & 7] = (u8[b + (at & WITHIN)] << 24) >> 24;
            } else {
              cycles += this.busCycles(at, false) - 1;
              this.cycles = cycles;
              r[h & 7] = (this.busRead(at, 1) << 24) >> 24;
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 38: // LDR register
            at = (r[(h >> 3) & 7] + r[(h >> 6) & 7]) | 0;
            b = READ_AT[at >>> 24];
            if (b >= 0) {
              if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
              r[h & 7] = i32[(b + (at & WITHIN)) >> 2];
            } else {
              cycles += this.busCycles(at, false) - 1;
              this.cycles = cycles;
              r[h & 7] = this.busRead(at, 4);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 39: // LDRH register
            at = (r[(h >> 3) & 7] + r[(h >> 6) & 7]) | 0;
            b = READ_AT[at >>> 24];
            if (b >= 0) {
              if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
              r[h & 7] = u16[(b + (at & WITHIN)) >> 1];
            } else {
              cycles += this.busCycles(at, false) - 1;
              this.cycles = cycles;
              r[h & 7] = this.busRead(at, 2);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 40: // LDRB register
            at = (r[(h >> 3) & 7] + r[(h >> 6) & 7]) | 0;
            b = READ_AT[at >>> 24];
            if (b >= 0) {
              if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
              r[h & 7] = u8[b + (at & WITHIN)];
            } else {
              cycles += this.busCycles(at, false) - 1;
              this.cycles = cycles;
              r[h & 7] = this.busRead(at, 1);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 41: // LDRSH register
            at = (r[(h >> 3) & 7] + r[(h >> 6) & 7]) | 0;
            b = READ_AT[at >>> 24];
            if (b >= 0) {
              if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
              r[h & 7] = (u16[(b + (at & WITHIN)) >> 1] << 16) >> 16;
            } else {
              cycles += this.busCycles(at, false) - 1;
              this.cycles = cycles;
              r[h & 7] = (this.busRead(at, 2) << 16) >> 16;
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 42: // STR immediate
            at = (r[(h >> 3) & 7] + ((h >> 4) & 0x7c)) | 0;
            if (at >>> 24 === 0x20) i32[(RAM_AT + (at & WITHIN)) >> 2] = r[h & 7];
            else {
              cycles += this.busCycles(at, true) - 1;
              this.cycles = cycles;
              this.busWrite(at, r[h & 7], 4);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 43: // LDR immediate
            at = (r[(h >> 3) & 7] + ((h >> 4) & 0x7c)) | 0;
            b = READ_AT[at >>> 24];
            if (b >= 0) {
              if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
              r[h & 7] = i32[(b + (at & WITHIN)) >> 2];
            } else {
              cycles += this.busCycles(at, false) - 1;
              this.cycles = cycles;
              r[h & 7] = this.busRead(at, 4);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 44: // STRB immediate
            at = (r[(h >> 3) & 7] + ((h >> 6) & 31)) | 0;
            if (at >>> 24 === 0x20) u8[RAM_AT + (at & WITHIN)] = r[h & 7];
            else {
              cycles += this.busCycles(at, true) - 1;
              this.cycles = cycles;
              this.busWrite(at, r[h & 7], 1);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 45: // LDRB immediate
            at = (r[(h >> 3) & 7] + ((h >> 6) & 31)) | 0;
            b = READ_AT[at >>> 24];
            if (b >= 0) {
              if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
              r[h & 7] = u8[b + (at & WITHIN)];
            } else {
              cycles += this.busCycles(at, false) - 1;
              this.cycles = cycles;
              r[h & 7] = this.busRead(at, 1);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 46: // STRH immediate
            at = (r[(h >> 3) & 7] + ((h >> 5) & 0x3e)) | 0;
            if (at >>> 24 === 0x20) u16[(RAM_AT + (at & WITHIN)) >> 1] = r[h & 7];
            else {
              cycles += this.busCycles(at, true) - 1;
              this.cycles = cycles;
              this.busWrite(at, r[h & 7], 2);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 47: // LDRH immediate
            at = (r[(h >> 3) & 7] + ((h >> 5) & 0x3e)) | 0;
            b = READ_AT[at >>> 24];
            if (b >= 0) {
              if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
              r[h & 7] = u16[(b + (at & WITHIN)) >> 1];
            } else {
              cycles += this.busCycles(at, false) - 1;
              this.cycles = cycles;
              r[h & 7] = this.busRead(at, 2);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 48: // STR to the stack
            at = (r[13] + ((h & 0xff) << 2)) | 0;
            if (at >>> 24 === 0x20) i32[(RAM_AT + (at & WITHIN)) >> 2] = r[(h >> 8) & 7];
            else {
              this.cycles = cycles;
              this.busWrite(at, r[(h >> 8) & 7], 4);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 49: // LDR from the stack
            at = (r[13] + ((h & 0xff) << 2)) | 0;
            b = READ_AT[at >>> 24];
            if (b >= 0) r[(h >> 8) & 7] = i32[(b + (at & WITHIN)) >> 2];
            else {
              this.cycles = cycles;
              r[(h >> 8) & 7] = this.busRead(at, 4);
              cycles = this.cycles;
              limit = this.limit;
            }
            cycles++;
            break;
          case 50: // ADR
            r[(h >> 8) & 7] = (((ip << 1) - away + 2) & ~3) + ((h & 0xff) << 2);
            break;
          case 51: // ADD register, SP
            r[(h >> 8) & 7] = r[13] + ((h & 0xff) << 2);
            break;
          case 52: // ADD SP
            r[13] = r[13] + ((h & 0x7f) << 2);
            break;
          case 53: // SUB SP
            r[13] = r[13] - ((h & 0x7f) << 2);
            break;
          case 54: // SXTH
            r[h & 7] = (r[(h >> 3) & 7] << 16) >> 16;
            break;
          case 55: // SXTB
            r[h & 7] = (r[(h >> 3) & 7] << 24) >> 24;
            break;
          case 56: // UXTH
            r[h & 7] = r[(h >> 3) & 7] & 0xffff;
            break;
          case 57: // UXTB
            r[h & 7] = r[(h >> 3) & 7] & 0xff;
            break;
          case 58: // PUSH
            at = r[13];
            if (h & 0x100) {
              at = (at - 4) | 0;
              i32[(RAM_AT + (at & WITHIN)) >> 2] = r[14];
              cycles++;
            }
            for (x = 7; x >= 0; x--) {
              if ((h >> x) & 1) {
                at = (at - 4) | 0;
                i32[(RAM_AT + (at & WITHIN)) >> 2] = r[x];
                cycles++;
              }
            }
            r[13] = at;
            break;
          case 59: // CPSIE, CPSID
            if (h & 0x10) this.PM = true;
            else {
              this.PM = false;
              if (this.interruptDue) {
                this.interruptsUpdated = true;
                limit = 0;
              }
            }
            break;
          case 60: // REV
            a = r[(h >> 3) & 7];
            r[h & 7] = (a << 24) | ((a & 0xff00) << 8) | ((a >>> 8) & 0xff00) | (a >>> 24);
            break;
          case 61: // REV16
            a = r[(h >> 3) & 7];
            r[h & 7] = ((a & 0xff00ff) << 8) | ((a >>> 8) & 0xff00ff);
            break;
          case 62: // REVSH
            a = r[(h >> 3) & 7];
            r[h & 7] = ((a & 0xff) << 24 >> 16) | ((a >>> 8) & 0xff);
            break;
          case 63: // POP
            at = r[13];
            for (x = 0; x < 8; x++) {
              if ((h >> x) & 1) {
                r[x] = i32[(RAM_AT + (at & WITHIN)) >> 2];
                at = (at + 4) | 0;
                cycles++;
              }
            }
            if (h & 0x100) {
              target = i32[(RAM_AT + (at & WITHIN)) >> 2];
              at = (at + 4) | 0;
              jump = true;
              cycles += 3;
            }
            r[13] = at;
            break;
          case 64: // BKPT
            this.hardFault(`breakpoint at ${((ip << 1) - away - 2).toString(16)}`);
            limit = 0;
            break;
          case 65: // NOP, YIELD, WFE, WFI, SEV
            x = (h >> 4) & 15;
            if (x === 2) {
              if (this.eventRegistered) this.eventRegistered = false;
              else {
                this.waiting = true;
                limit = 0;
              }
            } else if (x === 3) {
              this.waiting = true;
              limit = 0;
            } else if (x === 4) this.eventRegistered = true;
            cycles++;
            break;
          case 66: // STMIA
            at = r[(h >> 8) & 7];
            if (at >>> 24 === 0x20) {
              for (x = 0; x < 8; x++) {
                if ((h >> x) & 1) {
                  i32[(RAM_AT + (at & WITHIN)) >> 2] = r[x];
                  at = (at + 4) | 0;
                  cycles++;
                }
              }
            } else {
              for (x = 0; x < 8; x++) {
                if ((h >> x) & 1) {
                  this.cycles = cycles;
                  this.busWrite(at, r[x], 4);
                  cycles = this.cycles;
                  at = (at + 4) | 0;
                  cycles++;
                }
              }
              limit = this.limit;
            }
            r[(h >> 8) & 7] = at;
            break;
          case 67: // LDMIA
            at = r[(h >> 8) & 7];
            b = READ_AT[at >>> 24];
            for (x = 0; x < 8; x++) {
              if ((h >> x) & 1) {
                if (b >= 0) {
                  if (xip && b === FLASH_AT) cycles += this.cacheCycles((b + (at & WITHIN)) >> 3);
                  r[x] = i32[(b + (at & WITHIN)) >> 2];
                } else {
                  this.cycles = cycles;
                  r[x] = this.busRead(at, 4);
                  cycles = this.cycles;
              limit = this.limit;
                }
                at = (at + 4) | 0;
                cycles++;
              }
            }
            if (!((h >> ((h >> 8) & 7)) & 1)) r[(h >> 8) & 7] = at;
            break;
          case 68: // BEQ
            if (z === 0) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 69: // BNE
            if (z !== 0) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 70: // BCS
            if (c) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 71: // BCC
            if (!c) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 72: // BMI
            if (n < 0) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 73: // BPL
            if (n >= 0) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 74: // BVS
            if (v) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 75: // BVC
            if (!v) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 76: // BHI
            if (c && z !== 0) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 77: // BLS
            if (!c || z === 0) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 78: // BGE
            if (n >>> 31 === v) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 79: // BLT
            if (n >>> 31 !== v) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 80: // BGT
            if (z !== 0 && n >>> 31 === v) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 81: // BLE
            if (z === 0 || n >>> 31 !== v) { ip += ((h << 24) >> 24) + 1; cycles++; }
            break;
          case 83: // SVC
            this.pendingSVCall = true;
            this.interruptsUpdated = true;
            limit = 0;
            break;
          case 84: // B
            ip += ((h << 21) >> 21) + 1;
            cycles++;
            break;
          case 85: { // BL and the wide instructions
            const second = u16[ip++];
            cycles += 2;
            if ((second & 0xd000) === 0xd000) {
              const s = (h >> 10) & 1;
              const i1 = 1 ^ s ^ ((second >> 13) & 1);
              const i2 = 1 ^ s ^ ((second >> 11) & 1);
              r[14] = ((ip << 1) - away) | 1;
              target = ((ip << 1) - away
                + ((-s << 24) | (i1 << 23) | (i2 << 22) | ((h & 0x3ff) << 12) | ((second & 0x7ff) << 1))) | 0;
              jump = true;
            } else {
              this.N = n < 0; this.Z = z === 0; this.C = c === 1; this.V = v === 1;
              this.cycles = cycles;
              this.limit = limit;
              this.system(h, second);
              limit = this.limit;
              n = this.N ? -1 : 0; z = this.Z ? 0 : 1; c = this.C ? 1 : 0; v = this.V ? 1 : 0;
            }
            break;
          }
          default:
            this.hardFault(`undefined instruction ${h.toString(16)} at ${((ip << 1) - away - 2).toString(16)}`);
            limit = 0;
        }
        if (jump) {
          jump = false;
          at = READ_AT[target >>> 24];
          if (at >= 0) {
            away = at - (target & ~WITHIN);
            ip = ((target & WITHIN) + at) >>> 1;
          } else { // the end of an exception, or a wild jump
            this.N = n < 0; this.Z = z === 0; this.C = c === 1; this.V = v === 1;
            this.cycles = cycles;
            this.BXWritePC(target >>> 0);
            return;
          }
        }
      }
      this.PC = ((ip << 1) - away) >>> 0;
      this.N = n < 0;
      this.Z = z === 0;
      this.C = c === 1;
      this.V = v === 1;
      this.cycles = cycles;
    }
  };
}
