// Parts of the emulated chip by themselves, for test_chip_emulator.py: one JSON object in, one out.
import fs from 'node:fs';
import path from 'node:path';
import { pathToFileURL } from 'node:url';

const [folder] = process.argv.slice(2);
const load = (name) => import(pathToFileURL(path.join(folder, name)).href);
const asked = JSON.parse(fs.readFileSync(0, 'utf8'));

async function core(cases) {
  const { makeCore, BUFFER_BYTES, RAM_AT } = await load('core.mjs');
  class Base { // what the core needs of rp2040js' for instructions without exceptions
    constructor() {
      this.registers = new Uint32Array(16);
    }
    get PC() { return this.registers[15]; }
    set PC(value) { this.registers[15] = value; }
    BXWritePC(address) { this.PC = address & ~1; }
  }
  const buffer = new ArrayBuffer(BUFFER_BYTES);
  const bytes = new Uint8Array(buffer);
  const halves = new Uint16Array(buffer);
  const made = new (makeCore(Base))({}, buffer, false);
  return cases.map(({ code, registers, flags, memory }) => {
    bytes.fill(0, RAM_AT, RAM_AT + 0x3000);
    bytes.set(Buffer.from(memory, 'hex'), RAM_AT + 0x1000);
    code.forEach((half, i) => { halves[((RAM_AT + 0x100) >> 1) + i] = half; });
    registers.forEach((value, i) => { made.registers[i] = value; });
    Object.assign(made, { N: !!(flags & 8), Z: !!(flags & 4), C: !!(flags & 2), V: !!(flags & 1) });
    Object.assign(made, { cycles: 0, limit: 1, waiting: false, fault: '' });
    made.inner();
    return {
      registers: [...made.registers],
      flags: (made.N ? 8 : 0) | (made.Z ? 4 : 0) | (made.C ? 2 : 0) | (made.V ? 1 : 0),
      memory: Buffer.from(bytes.subarray(RAM_AT + 0x1000, RAM_AT + 0x1100)).toString('hex'),
    };
  });
}

async function pio({ program, divider, changes, polls }) {
  const { makePio } = await load('pio.mjs');
  class Base {}
  const chip = { inputs: 1, now: 0, cycle() { return this.now; }, pioPins() {}, wordRead() {} };
  const block = new (makePio(Base))({ setInterrupt() {} }, 'PIO', 0, chip);
  program.opcodes.forEach((opcode, i) => block.writeUint32(0x48 + 4 * i, opcode));
  block.writeUint32(0xc8, divider << 8); // CLKDIV of machine 0, in 1/256
  block.writeUint32(0xcc, (program.wrap << 12) | (program.wrap_target << 7));
  block.writeUint32(0xd0, 0x800c0000 & ~(1 << 18)); // FIFOs joined for receiving, ISR to the left
  block.writeUint32(0x00, 1);
  const events = [
    ...changes.map(([cycle, level]) => ({ cycle, level })),
    ...polls.map((cycle) => ({ cycle, poll: true })),
  ].sort((a, b) => a.cycle - b.cycle);
  const words = [];
  for (const event of events) {
    chip.now = event.cycle;
    block.advance(event.cycle);
    if (event.poll) while (!(block.readUint32(0x04) & 0x100)) words.push(block.readUint32(0x20));
    else {
      chip.inputs = event.level;
      block.wakeAll(event.cycle);
    }
  }
  return words;
}

const answer = asked.core ? await core(asked.core) : await pio(asked.pio);
process.stdout.write(JSON.stringify(answer));
