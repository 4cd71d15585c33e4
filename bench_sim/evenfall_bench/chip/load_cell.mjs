/**
 * The load cell amplifier on two wires (HX711 class), as its data sheet describes the interface:
 * data goes low when a conversion is ready, 24 bits come out on rising clocks, highest first, then
 * 1 to 3 pulses set the gain with data high; a clock that stays high for 60 us powers it down.
 */

const POWER_DOWN_NS = 60000;
const QUIET_NS = 10000; // no clock for so long: nobody is reading
const SETTLING = 4; // conversions after power-up that are not given out

export class LoadCell {
  /** `setData(level)` drives the data line; `later(code, ns)` gives a conversion again at `ns`. */
  constructor(setData, later) {
    this.setData = setData;
    this.later = later;
  }

  begin(ns) {
    this.code = null;
    this.bits = 0;
    this.high = false;
    this.clockedAt = -1e9;
    this.highSince = ns;
    this.settling = 0;
    this.lost = 0;
    this.setData(1);
  }

  /** A conversion is done at `ns`. */
  convert(code, ns) {
    if (this.high && ns - this.highSince > POWER_DOWN_NS) {
      this.settling = SETTLING;
      this.code = null;
      this.bits = 0;
      return;
    }
    if (this.settling > 0) {
      this.settling--;
      return;
    }
    if (this.bits > 0 && ns - this.clockedAt < QUIET_NS) { // never tears a code that is being read
      this.later(code, ns + QUIET_NS);
      return;
    }
    if (this.code !== null) this.lost++;
    this.code = code;
    this.bits = 0;
    this.setData(0);
  }

  clock(high, ns) {
    if (high === this.high) return;
    this.high = high;
    this.clockedAt = ns;
    if (!high) {
      if (ns - this.highSince > POWER_DOWN_NS) {
        this.settling = SETTLING;
        this.code = null;
        this.bits = 0;
        this.setData(1);
      }
      return;
    }
    this.highSince = ns;
    if (this.code === null && this.bits === 0) return;
    this.bits++;
    if (this.bits <= 24) this.setData((this.code >> (24 - this.bits)) & 1);
    else {
      this.setData(1);
      this.code = null;
    }
  }
}
