/**
 * An RP2040 on the bench: rp2040js with our own core, PIO, flash and USB host, and its pins.
 *
 * Times are nanoseconds of the board's crystal since the bench was switched on.  A reset makes a
 * new chip around the same flash; the watchdog's scratch registers and reason stay unless the
 * power was off (RP2040 data sheet, sections 2.12 and 4.7).
 */

import { BUFFER_BYTES, FLASH_AT, FLASH_BYTES, RAM_AT, RAM_BYTES, ROM_AT, makeCore } from './core.mjs';
import { SpiFlash, makeSsi } from './flash.mjs';
import { makePio } from './pio.mjs';
import { UsbHost } from './usb.mjs';
import { LoadCell } from './load_cell.mjs';
import { Passes } from './observe.mjs';

const ASYNC_NS = 10000; // how late an interrupt of a PIO block may come
const FIXED = new Map([ // registers that rp2040js lacks
  [0xd0000008, 0x3f], // GPIO_HI_IN: the flash's pins are high, the boot button is not pressed
  [0xd0000050, 3], // FIFO to the second core: something to read, room to write
  [0xd0000058, 0],
  [0x40064008, 0x100], // CHIP_RESET: power-on
]);
const I2C_BIT_NS = 2500; // 400 kHz

export class Chip {
  /** `lib` is the module rp2040js; `parts` its classes Core and Peripheral (see main.mjs). */
  constructor(lib, parts, options) {
    this.lib = lib;
    this.options = options;
    this.Core = makeCore(parts.Core);
    this.Pio = makePio(parts.Peripheral);
    this.Ssi = makeSsi(parts.Peripheral);
    this.buffer = new ArrayBuffer(BUFFER_BYTES);
    this.flashBytes = new Uint8Array(this.buffer, FLASH_AT, FLASH_BYTES).fill(0xff);
    this.flash = new SpiFlash(this.flashBytes, () => this.now(), options.flash);
    this.flash.uid = options.uid;
    this.events = []; // {ns, pin, level} or {ns, code}, in order
    this.levels = 0x3fffffff; // what the bench puts on the pins
    this.out = { servo: [], pins: [], usb: [], resets: [] };
    this.busyNs = 0;
    this.passes = new Passes();
    this.on = false;
    this.time = 0;
    this.bootAt = 0;
    this.supply_mV = 5000;
    this.hostOpen = false;
    this.hostReading = true;
    this.i2c = options.i2c;
    this.cutAfter = 0; // power goes in this many flash operations
    this.flash.onOperation = (kind) => {
      if (this.cutAfter > 0 && --this.cutAfter === 0) {
        const ns = kind === 'erase' ? options.flash.eraseNs : options.flash.pageNs;
        this.clock.createAlarm(() => { this.cutNow = true; }).schedule(ns / 2);
      }
    };
  }

  /** Time of the chip's crystal since the bench was switched on, ns. */
  now() {
    return this.on ? this.bootAt + this.clock.nanosCounter : this.time;
  }

  powerOn(ns) {
    this.time = ns;
    this.boot(null);
  }

  powerOff() {
    const cut = this.on ? this.flash.cut() : '';
    this.time = this.now();
    this.on = false;
    this.dropPins();
    return cut;
  }

  dropPins() {
    this.out.servo.push([this.time, 0]);
    for (const pin of [this.options.pins.led, this.options.pins.kill]) this.out.pins.push([this.time, pin, 0, 0]);
  }

  /** A chip that starts at its boot ROM; `kept`: watchdog state that outlives a reset. */
  boot(kept) {
    this.bootAt = Math.ceil(this.time); // whole, so that no fraction is lost in sums
    this.flash.selected = false;
    const rp = new this.lib.RP2040();
    this.rp = rp;
    this.clock = rp.clock;
    rp.logger = { debug() {}, info() {}, warn() {}, error() {} };
    this.memory(rp);
    this.frequency = rp.clkSys;
    this.cycleBase = 0;
    this.nanosBase = 0;
    this.inputs = 0;
    const core = new this.Core(rp, this.buffer, this.options.xip);
    rp.core = core;
    this.core = core;
    core.onBus = () => { this.clock.nanosCounter = this.nanosAt(core.cycles); };
    core.onBusDone = () => this.afterWrite();
    this.pios = [new this.Pio(rp, 'PIO0', 7, this), new this.Pio(rp, 'PIO1', 9, this)];
    rp.pio = this.pios;
    rp.peripherals[0x50200] = this.pios[0];
    rp.peripherals[0x50300] = this.pios[1];
    this.ssi = new this.Ssi(rp, 'SSI', this.flash, (ns) => this.letPass(ns));
    rp.peripherals[0x18000] = this.ssi;
    rp.peripherals[0x14000] = this.cacheControl(rp);
    rp.peripherals[0x40018] = this.qspiPins(rp);
    this.pins(rp);
    this.watchdog(rp, kept);
    this.buses(rp);
    rp.adc.channelValues[3] = Math.round((this.supply_mV / 3 / 3300) * 4095);
    rp.addClockListener((hz) => this.newFrequency(hz));
    this.usb = new UsbHost(rp, this.clock, (bytes) => this.out.usb.push(...bytes));
    this.usb.wantOpen = this.hostOpen;
    this.usb.reading = this.hostReading;
    core.reset();
    this.on = true;
    this.resetTo = null;
  }

  memory(rp) {
    new Uint8Array(this.buffer, RAM_AT, RAM_BYTES).fill(0);
    rp.bootrom = new Uint32Array(this.buffer, ROM_AT, 4096);
    rp.bootrom.set(this.options.bootrom);
    rp.sram = new Uint8Array(this.buffer, RAM_AT, RAM_BYTES);
    rp.sramView = new DataView(this.buffer, RAM_AT, RAM_BYTES);
    rp.flash = this.flashBytes;
    rp.flashView = new DataView(this.buffer, FLASH_AT, FLASH_BYTES);
    const read = rp.readUint32.bind(rp);
    const write = rp.writeUint32.bind(rp);
    rp.readUint32 = (address) => FIXED.get(address >>> 0) ?? read(address);
    rp.writeUint32 = (address, value) => {
      if (address >>> 0 !== 0xd0000054) write(address, value);
    };
  }

  cacheControl(rp) {
    const chip = this;
    const Peripheral = Object.getPrototypeOf(this.Ssi);
    return new (class extends Peripheral {
      readUint32(offset) {
        return offset === 4 ? 0 : 3; // STAT: empty and flushed
      }
      writeUint32(offset) {
        if (offset === 4) chip.core.flushCache();
      }
    })(rp, 'XIP_CTRL');
  }

  qspiPins(rp) {
    const { ssi } = this;
    const Peripheral = Object.getPrototypeOf(this.Ssi);
    return new (class extends Peripheral {
      constructor(...a) {
        super(...a);
        this.registers = new Map();
      }
      readUint32(offset) {
        return this.registers.get(offset) ?? 0;
      }
      writeUint32(offset, value) {
        this.registers.set(offset, value >>> 0);
        if (offset === 0x0c) ssi.chipSelect(value);
      }
    })(rp, 'IO_QSPI');
  }

  nanosAt(cycles) {
    return this.nanosBase + ((cycles - this.cycleBase) * 1e9) / this.frequency;
  }

  cyclesAt(nanos) {
    return this.cycleBase + Math.ceil(((nanos - this.nanosBase) * this.frequency) / 1e9 - 1e-6);
  }

  cycle() {
    return this.core.cycles;
  }

  newFrequency(hz) {
    const { cycles } = this.core;
    this.pios.forEach((p) => p.advance(cycles));
    this.nanosBase = this.nanosAt(cycles);
    this.cycleBase = cycles;
    this.frequency = hz;
    this.core.endBy(0);
  }

  /** A register was written: a nearer alarm ends the run of instructions sooner. */
  afterWrite() {
    const alarm = this.clock.nextAlarm;
    if (alarm) this.core.endBy(this.cyclesAt(alarm.nanos));
  }

  /** The processor polls something until `ns`: go there at once, as far as nothing else is due. */
  letPass(ns) {
    const to = Math.min(this.cyclesAt(ns - this.bootAt), this.core.until);
    if (to > this.core.cycles) {
      this.core.cycles = to;
      this.clock.nanosCounter = this.nanosAt(to);
    }
  }

  // --- pins ---------------------------------------------------------------

  pins(rp) {
    const { pins } = this.options;
    this.pinNs = null;
    this.load = new LoadCell(
      (level) => this.setPin(pins.load_data, level),
      (code, ns) => this.queue({ ns, code }),
    );
    rp.gpio.forEach((gpio, index) => {
      const set = gpio.setInputValue.bind(gpio);
      gpio.padValue = 0x56; // reset value of the data sheet: input enabled, pull-down
      gpio.setInputValue = (value) => {
        set(value);
        const before = this.inputs;
        if (gpio.inputValue) this.inputs |= 1 << index;
        else this.inputs &= ~(1 << index);
        if (this.inputs !== before) this.pios.forEach((p) => p.wakeAll(this.cycle()));
      };
      gpio.rawInputValue = ((this.levels >> index) & 1) === 1;
      if (gpio.inputValue) this.inputs |= 1 << index;
      gpio.addListener((value) => this.pinChanged(index, value));
    });
    Object.defineProperty(rp, 'gpioValues', { get: () => this.inputs, configurable: true });
    this.levels |= 1 << pins.load_data;
    this.load.begin(this.bootAt);
  }

  /** The bench puts a level on a pin, now. */
  setPin(pin, level) {
    if (level) this.levels |= 1 << pin;
    else this.levels &= ~(1 << pin);
    const gpio = this.rp.gpio[pin];
    if (!gpio.outputEnable) gpio.setInputValue(!!level);
  }

  /** PIO changed pins at `cycle`. */
  pioPins(bits, cycle) {
    this.pinNs = this.nanosAt(cycle);
    for (let i = 0; i < 30; i++) if ((bits >> i) & 1) this.rp.gpio[i].checkForUpdates();
    this.pinNs = null;
  }

  /** The processor took a word from a state machine; the load cell's drives its clock by side-set. */
  wordRead(machine) {
    if (((machine.pinctrl >>> 10) & 31) === this.options.pins.load_clock && machine.pinctrl >>> 29) {
      this.passes.sampleRead();
    }
  }

  pinChanged(pin, value) {
    const { pins } = this.options;
    const ns = this.bootAt + (this.pinNs ?? this.clock.nanosCounter);
    const driven = value <= 1;
    const high = value === 1;
    const gpio = this.rp.gpio[pin];
    gpio.setInputValue(driven ? high : ((this.levels >> pin) & 1) === 1);
    if (pin === pins.load_clock) this.load.clock(high, ns);
    else if (pin === pins.servo) {
      if (high) this.roseAt = ns;
      else if (this.roseAt !== undefined) {
        this.out.servo.push([Math.round(ns), (ns - this.roseAt) / 1000]);
        this.roseAt = undefined;
      }
    } else if (pin === pins.led || pin === pins.kill) {
      this.out.pins.push([Math.round(ns), pin, high ? 1 : 0, driven ? 1 : 0]);
    }
  }

  // --- what else is on the chip -------------------------------------------------

  watchdog(rp, kept) {
    const dog = rp.peripherals[0x40058];
    if (kept) {
      dog.scratchData.set(kept.scratch);
      dog.reason = kept.reason;
    }
    const write = dog.writeUint32.bind(dog);
    dog.writeUint32 = (offset, value) => {
      write(offset, value);
      if (offset === 4) {
        const busy = this.busyNs + ((this.core.cycles - this.runFrom) * 1e9) / this.frequency;
        this.passes.feed(this.now(), busy - this.passes.spinNs, this.flash.operations);
      }
    };
    const timer = rp.peripherals[0x40054];
    const read = timer.readUint32.bind(timer);
    timer.readUint32 = (offset) => {
      this.passes.timer(this.now());
      return read(offset);
    };
    this.passes.restart();
    dog.onWatchdogTrigger = () => {
      this.resetTo = { scratch: Uint32Array.from(dog.scratchData), reason: dog.reason };
      this.core.endBy(0);
      this.core.waiting = true;
    };
  }

  /** I2C: times of the bus, and the devices by questions to the bench. */
  buses(rp) {
    rp.i2c.forEach((bus) => {
      let address = 0;
      let written = [];
      let reading = false;
      let startNs = 0;
      const later = (bits, what) => {
        const alarm = this.clock.createAlarm(what);
        alarm.schedule(bits * I2C_BIT_NS);
      };
      const flush = () => {
        if (written.length) this.i2c.write(address, written, startNs);
        written = [];
      };
      bus.onStart = () => {
        flush();
        later(1, () => bus.completeStart());
      };
      bus.onConnect = (to, mode) => {
        address = to;
        reading = mode === 1;
        startNs = this.now();
        later(9, () => bus.completeConnect(this.i2c.present(to)));
      };
      bus.onWriteByte = (byte) => {
        written.push(byte);
        later(9, () => bus.completeWrite(true));
      };
      bus.onReadByte = () => later(9, () => bus.completeRead(reading ? this.i2c.read(address, startNs) : 0xff));
      bus.onStop = () => {
        flush();
        later(1, () => bus.completeStop());
      };
    });
  }

  // --- time -------------------------------------------------------------------

  /** Run to `target` ns; events up to there have been queued. */
  runTo(target) {
    while (this.on && this.now() < target) {
      this.applyEvents();
      const { core, clock } = this;
      let until = target - this.bootAt;
      if (this.events.length) until = Math.min(until, this.events[0].ns - this.bootAt);
      if (clock.nextAlarm) until = Math.min(until, clock.nextAlarm.nanos);
      if (this.pios[0].asynchronous || this.pios[1].asynchronous) {
        until = Math.min(until, clock.nanosCounter + ASYNC_NS);
      }
      const to = this.cyclesAt(until);
      if (core.waiting) core.cycles = Math.max(core.cycles, to);
      else {
        this.runFrom = core.cycles;
        core.runUntil(to);
        this.busyNs += ((core.cycles - this.runFrom) * 1e9) / this.frequency;
      }
      this.pios[0].advance(core.cycles);
      this.pios[1].advance(core.cycles);
      const nanos = Math.max(this.nanosAt(core.cycles), clock.nanosCounter, core.cycles >= to ? until : 0);
      clock.tick(nanos - clock.nanosCounter);
      if (this.cutNow) {
        this.cutNow = false;
        const kind = this.powerOff();
        this.out.resets.push([Math.round(this.time), 'power cut', `in a flash ${kind}`]);
      } else if (this.resetTo) this.reset();
      else if (core.fault) this.stopAt(core);
    }
    if (!this.on) this.time = target;
    else this.applyEvents();
  }

  /** An event in its place. */
  queue(event) {
    let at = this.events.length;
    while (at > 0 && this.events[at - 1].ns > event.ns) at--;
    this.events.splice(at, 0, event);
  }

  applyEvents() {
    const now = this.now();
    while (this.events.length && this.events[0].ns <= now) {
      const event = this.events.shift();
      this.pios.forEach((p) => p.advance(this.cycle()));
      if (event.code !== undefined) this.load.convert(event.code, now);
      else this.setPin(event.pin, event.level);
    }
  }

  reset() {
    const kept = this.resetTo;
    this.time = this.now();
    this.dropPins();
    this.out.resets.push([Math.round(this.time), kept.reason === 2 ? 'asked for by the program' : 'watchdog', '']);
    this.boot(kept);
  }

  stopAt(core) {
    if (this.toldFault !== core.fault) this.out.resets.push([Math.round(this.now()), 'fault', core.fault]);
    this.toldFault = core.fault;
  }
}
