/**
 * The flash interface (SSI) and a W25Q16-class flash behind it, for the boot ROM's own routines.
 *
 * Only plain SPI is modelled: the boot ROM erases, programs and reads the status that way, and
 * reads of code and data go through the memory map.  Commands: Winbond W25Q16JV data sheet,
 * section 8.1.  Busy times come from the bench (typical there: sector 45 ms, page 0.4 ms).
 */

import { FLASH_BYTES } from './core.mjs';

const SECTOR = 4096;
const BLOCK = 65536;

export class SpiFlash {
  /** `now()` in ns; `times`: eraseNs, pageNs, blockNs. `onOperation(kind, address)` before each. */
  constructor(bytes, now, times) {
    this.bytes = bytes;
    this.now = now;
    this.times = times;
    this.busyUntil = 0;
    this.selected = false;
    this.got = [];
    this.writeEnabled = false;
    this.operations = 0;
    this.pending = null; // the operation under way: {kind, address, data, from}
    this.onOperation = () => {};
  }

  select(on) {
    if (this.selected === on) return;
    this.selected = on;
    if (!on) this.finish();
    this.got = [];
  }

  get busy() {
    return this.now() < this.busyUntil;
  }

  /** One byte each way. */
  exchange(byte) {
    this.got.push(byte);
    const at = this.got.length - 1;
    switch (this.got[0]) {
      case 0x05: return at ? (this.busy ? 1 : 0) | (this.writeEnabled ? 2 : 0) : 0;
      case 0x35: return at ? 2 : 0; // quad enable is set
      case 0x9f: return [0, 0xef, 0x40, 0x15][at] ?? 0;
      case 0x4b: return at > 4 ? parseInt(this.uid.substr(2 * (at - 5), 2), 16) : 0;
      case 0x03: return at > 3 ? this.bytes[(this.address() + at - 4) & (FLASH_BYTES - 1)] : 0;
      default: return 0;
    }
  }

  address() {
    return (this.got[1] << 16) | (this.got[2] << 8) | this.got[3];
  }

  /** Chip select goes high: commands take effect. */
  finish() {
    const [command] = this.got;
    if (command === undefined || this.busy) return;
    if (command === 0x06) this.writeEnabled = true;
    else if (command === 0x04) this.writeEnabled = false;
    else if (!this.writeEnabled || this.got.length < 4) return;
    else if (command === 0x20) this.begin('erase', this.address() & ~(SECTOR - 1), SECTOR, this.times.eraseNs);
    else if (command === 0xd8) this.begin('erase', this.address() & ~(BLOCK - 1), BLOCK, this.times.blockNs);
    else if (command === 0x02) this.begin('program', this.address(), this.got.slice(4, 260), this.times.pageNs);
  }

  begin(kind, address, what, ns) {
    this.writeEnabled = false;
    this.operations++;
    this.onOperation(kind, address);
    const from = this.now();
    const at = address & (FLASH_BYTES - 1);
    const before = this.bytes.slice(at & ~(SECTOR - 1), (at & ~(SECTOR - 1)) + (kind === 'erase' ? what : SECTOR));
    this.pending = { kind, at, what, from, ns, before };
    if (kind === 'erase') this.bytes.fill(0xff, at, at + what);
    else {
      const page = at & ~255;
      what.forEach((b, i) => { this.bytes[page | ((at + i) & 255)] &= b; });
    }
    this.busyUntil = from + ns;
  }

  /** Power goes now: an operation under way stays half done. */
  cut() {
    const p = this.pending;
    if (!p || !this.busy) return '';
    const share = (this.now() - p.from) / p.ns;
    const start = p.at & ~(SECTOR - 1);
    const keep = Math.floor(share * (p.kind === 'erase' ? p.what : 256));
    if (p.kind === 'erase') this.bytes.set(p.before.subarray(keep), p.at + keep);
    else {
      const from = (p.at & ~255) + keep;
      const end = (p.at & ~255) + 256;
      this.bytes.set(p.before.subarray(from - start, end - start), from);
    }
    this.busyUntil = 0;
    return p.kind;
  }
}

/** The SSI registers; `Base` is rp2040js' BasePeripheral. */
export function makeSsi(Base) {
  return class Ssi extends Base {
    constructor(rp2040, name, flash, waitFor) {
      super(rp2040, name);
      this.flash = flash;
      this.waitFor = waitFor; // lets time pass until ns, as far as the slice goes
      this.registers = new Map();
      this.received = [];
      this.forced = 0; // the output override of the chip-select pin: 2 low, 3 high
      this.polled = true;
    }

    /** GPIO_QSPI_SS_CTRL was written. */
    chipSelect(control) {
      this.forced = (control >>> 8) & 3;
      if (this.forced === 2) this.flash.select(true);
      else this.flash.select(false);
    }

    readUint32(offset) {
      switch (offset) {
        case 0x20: return 0; // TXFLR
        case 0x24: return this.received.length;
        case 0x28: // SR: TFNF, TFE, RFNE
          if (this.forced < 2 && !this.polled) this.flash.select(false);
          this.polled = true;
          return 6 | (this.received.length ? 8 : 0) | (this.received.length >= 16 ? 16 : 0);
        case 0x58: return 0x51535049;
        case 0x5c: return 0x3430312a;
        case 0x60: return this.received.length ? this.received.shift() : 0;
        default: return this.registers.get(offset) ?? 0;
      }
    }

    writeUint32(offset, value) {
      if (offset === 0x60) {
        this.transfer(value & 0xff);
        return;
      }
      if (offset === 0x08 && !(value & 1)) {
        this.received = [];
        if (this.forced < 2) this.flash.select(false);
      }
      this.registers.set(offset, value >>> 0);
    }

    transfer(byte) {
      if (((this.registers.get(0) ?? 0) >>> 21) & 3) return; // dual and quad: only the memory map uses them
      if (this.forced < 2) this.flash.select(true);
      this.polled = false;
      if (this.flash.got[0] === 0x05 && this.flash.busy) this.waitFor(this.flash.busyUntil);
      this.received.push(this.flash.exchange(byte));
    }
  };
}
