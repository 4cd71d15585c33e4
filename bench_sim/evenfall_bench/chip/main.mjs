/**
 * The emulator as a program: one chip, driven over standard input and output by the bench.
 *
 * One JSON object a line.  The first line sets the chip up (chip_board.py: `_set_up`); each
 * further line is answered by one line, before which lines with `i2c` may ask for a device's byte.
 */

import fs from 'node:fs';
import path from 'node:path';
import { pathToFileURL } from 'node:url';
import { Chip } from './chip.mjs';
import { FLASH_BYTES } from './core.mjs';
import { heap } from './observe.mjs';

let pending = Buffer.alloc(0);
const block = Buffer.alloc(1 << 16);

function readLine() {
  for (;;) {
    const end = pending.indexOf(10);
    if (end >= 0) {
      const text = pending.toString('utf8', 0, end);
      pending = pending.subarray(end + 1);
      return JSON.parse(text);
    }
    const n = fs.readSync(0, block, 0, block.length, null);
    if (n === 0) process.exit(0); // the bench has gone
    pending = Buffer.concat([pending, block.subarray(0, n)]);
  }
}

function say(message) {
  const data = Buffer.from(`${JSON.stringify(message)}\n`);
  let at = 0;
  while (at < data.length) at += fs.writeSync(1, data, at);
}

/** Blocks of a UF2 file for the RP2040 into `flash`; an Error says what is wrong with the file. */
function loadUf2(file, flash) {
  const data = fs.readFileSync(file);
  let blocks = 0;
  for (let at = 0; at + 512 <= data.length; at += 512) {
    if (data.readUInt32LE(at) !== 0x0a324655 || data.readUInt32LE(at + 4) !== 0x9e5d5157) break;
    if (data.readUInt32LE(at + 8) & 0x2000 && data.readUInt32LE(at + 28) !== 0xe48bff56) continue;
    const address = data.readUInt32LE(at + 12);
    const size = data.readUInt32LE(at + 16);
    if (address < 0x10000000 || address + size > 0x10000000 + FLASH_BYTES || size > 476) continue;
    flash.set(data.subarray(at + 32, at + 32 + size), address - 0x10000000);
    blocks++;
  }
  if (!blocks) throw new Error('it holds no UF2 blocks for an RP2040');
}

async function main() {
  const setUp = readLine();
  const at = (name) => pathToFileURL(path.join(setUp.rp2040js, 'dist', 'esm', name)).href;
  const lib = await import(at('index.js'));
  const { CortexM0Core } = await import(at('cortex-m0-core.js'));
  const devices = {
    present: (address) => setUp.i2c.includes(address),
    write: (address, bytes, ns) => say({ i2c: 'write', address, data: Buffer.from(bytes).toString('hex'), ns }),
    read: (address, ns) => {
      say({ i2c: 'read', address, ns });
      return readLine().byte;
    },
  };
  const chip = new Chip(lib, { Core: CortexM0Core, Peripheral: lib.BasePeripheral }, {
    ...setUp, bootrom: Uint32Array.from(setUp.bootrom), i2c: devices,
  });
  loadUf2(setUp.image, chip.flashBytes);
  if (setUp.files) chip.flashBytes.set(fs.readFileSync(setUp.files), FLASH_BYTES - setUp.files_bytes);
  say({ ready: true });
  for (;;) answer(chip, setUp, readLine());
}

function answer(chip, setUp, order) {
  switch (order.do) {
    case 'step': say(step(chip, order)); break;
    case 'power_on':
      chip.powerOn(order.ns);
      say(collect(chip));
      break;
    case 'power_off': {
      const cut = chip.powerOff();
      say({ ...collect(chip), cut });
      break;
    }
    case 'reset': // the reset pin: a new start with the same flash
      chip.resetTo = null;
      chip.time = chip.now();
      chip.dropPins();
      chip.boot(order.watchdog ? { scratch: new Uint32Array(8), reason: 1 } : null);
      say(collect(chip));
      break;
    case 'heap': say({ heap: chip.on ? heap(chip.rp.sram, chip.core.registers) : null }); break;
    case 'passes':
      say(chip.passes.kinds);
      chip.passes.clear();
      break;
    case 'supply':
      chip.supply_mV = order.mV;
      if (chip.on) chip.rp.adc.channelValues[3] = Math.round((order.mV / 3 / 3300) * 4095);
      say({});
      break;
    case 'save':
      fs.writeFileSync(order.file, chip.flashBytes.subarray(FLASH_BYTES - setUp.files_bytes));
      say({});
      break;
    default: say({ error: `unknown order ${order.do}` });
  }
}

function step(chip, order) {
  for (const [ns, pin, level] of order.pins) chip.queue({ ns, pin, level });
  for (const [ns, code] of order.samples) chip.queue({ ns, code });
  if (order.open !== chip.hostOpen) {
    chip.hostOpen = order.open;
    if (chip.on) chip.usb.setOpen(order.open);
  }
  if (order.reading !== chip.hostReading) {
    chip.hostReading = order.reading;
    if (chip.on) chip.usb.setReading(order.reading);
  }
  if (order.usb && chip.on) chip.usb.send(Buffer.from(order.usb, 'hex'));
  if (order.cut_in) chip.cutAfter = order.cut_in;
  chip.runTo(order.to);
  return collect(chip);
}

function collect(chip) {
  const { servo, pins, usb, resets } = chip.out;
  chip.out = { servo: [], pins: [], usb: [], resets: [] };
  return {
    now: Math.round(chip.now()),
    servo,
    pins,
    resets,
    usb: Buffer.from(usb).toString('hex'),
    busy: Math.round(chip.busyNs - chip.passes.spinNs),
    operations: chip.flash.operations,
    booted: Math.round(chip.bootAt),
    cut: '',
  };
}

main().catch((error) => {
  say({ error: error.message });
  process.exit(1);
});
