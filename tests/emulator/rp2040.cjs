// An emulated RP2040 around the firmware's image: `node rp2040.cjs IMAGE.elf`, with rp2040js where NODE_PATH says.
//
// The program that starts it is the world. Before every sample of the converter this asks on stdout and waits for the answer on
// stdin, so a run is the same however fast either side is. All numbers little-endian.
//   ask:    u32 outputs (bits as GPIO numbers), u32 starts, f64 µs, f64 µs when GPIO 2 was last driven no more, u32 cycles worked
//           since the last ask, u32 of them waiting for flash, u32 lowest stack pointer since the start, u16 bytes of the link
//           that follow
//   answer: u16 × 4 codes (as i16), u32 inputs (bits as GPIO numbers), u16 what happens (below), u16 bytes for the link that follow
//
// What the emulator lacks and a chip has is added here, each with what the RP2040 datasheet says of it.
'use strict';
const fs = require('fs');
let Simulator;
try { ({ Simulator } = require('rp2040js')); } catch { process.stderr.write('rp2040.cjs: no rp2040js where NODE_PATH says\n'); process.exit(77); }

const HAPPENS = { HARD_FAULT: 1, HANG: 2, MARK_GONE: 4, SUPPLY_GONE: 8, SUPPLY_SAGS: 16, OVERRUN: 32, STALL: 64 };
const CYCLE_NS = 8; // 125 MHz
const RAM = 0x20000000, FLASH = 0x10000000;
const UART_BAUD = 460800;
const STALLED_US = 10e6;
const CONTACTOR = 2;
// Longer than the converter's ring, shorter than the watchdog waits.
const STALL_US = 40e3;

// Whole reads and writes on the pipes.
function read(n) {
  const into = Buffer.alloc(n);
  for (let got = 0; got < n;) {
    let some = 0;
    try { some = fs.readSync(0, into, got, n - got, null); } catch (e) { if (e.code !== 'EAGAIN') throw e; continue; }
    if (some === 0) process.exit(0);
    got += some;
  }
  return into;
}
function write(bytes) {
  for (let at = 0; at < bytes.length;) {
    try { at += fs.writeSync(1, bytes, at, bytes.length - at); } catch (e) { if (e.code === 'EPIPE') process.exit(0); if (e.code !== 'EAGAIN') throw e; }
  }
}
function fail(why) { process.stderr.write(`rp2040.cjs: ${why}\n`); process.exit(1); }

function load(elf, flash) {
  for (let i = 0, p = elf.readUInt32LE(28); i < elf.readUInt16LE(44); i++, p += 32) {
    if (elf.readUInt32LE(p) !== 1) continue;
    const from = elf.readUInt32LE(p + 4), to = elf.readUInt32LE(p + 12), len = elf.readUInt32LE(p + 16);
    if (len && to >>> 24 === 0x10) flash.set(elf.subarray(from, from + len), to - FLASH);
  }
}

class Chip {
  constructor(before) {
    const simulator = new Simulator();
    this.clock = simulator.clock;
    this.clock.nanosCounter = before ? before.clock.nanos : 0;
    const m = this.m = simulator.rp2040;
    this.worked = 0; this.stalled = 0; this.hung = false; this.faulted = false; this.xip = true; this.again = null; this.stalledUntilUs = 0;
    this.out = []; this.in = [];
    if (before) m.flash.set(before.m.flash);
    const note = () => {};
    const bus = (_, what) => { if (/undefined address|invalid memory address/.test(what)) this.faulted = true; };
    m.logger = { debug: note, info: note, warn: bus, error: note };
    this.rom(); this.resets(before); this.converter(); this.dma(); this.uart(); this.cache();
  }

  // The boot ROM's table of functions (2.8.2, 2.8.3); the functions themselves are here. Flash times: 45 ms and 0.4 ms, of the usual
  // serial NOR chips, from memory.
  rom() {
    const { m, clock } = this, regs = m.core.registers;
    const table = {
      IF() {}, FC() {}, EX() {}, CX: () => { this.xip = true; },
      C4() { for (let i = 0; i < regs[2]; i += 4) m.writeUint32(regs[0] + i, m.readUint32(regs[1] + i)); },
      RE: () => { m.flash.fill(0xff, regs[0], regs[0] + regs[1]); clock.tick(45e6 * regs[1] / regs[2]); },
      RP: () => {
        for (let i = 0; i < regs[2]; i++) m.flash[regs[0] + i] &= m.readUint8(regs[1] + i);
        clock.tick(0.4e6 * regs[2] / 256);
      },
    };
    const names = Object.keys(table), place = n => 0x40 + 4 * n;
    for (let n = 0; n <= names.length; n++) m.bootrom[place(n) / 4] = 0x4770be00 | n; // bkpt n; bx lr
    m.bootrom[0x10 / 4] = 0x0301754d;
    m.bootrom[0x14 / 4] = 0x0200_0100;
    m.bootrom[0x18 / 4] = place(0) | 1;
    m.onBreak = n => {
      const core = m.core;
      if (core.PC >>> 0 >= 0x4000) { this.faulted = true; return; }
      if (n > 0) return table[names[n - 1]]();
      const tag = String.fromCharCode(regs[1] & 0xff, regs[1] >> 8 & 0xff), at = names.indexOf(tag);
      if (at < 0) fail(`the image asks the boot ROM for ${tag}`);
      regs[0] = place(at + 1) | 1;
    };
    // The flash interface (4.10): words of 8 bits for a command, of 32 once flash is memory again. The chip answers 4Bh, after four
    // bytes, with its own number, here 01 02 … 08.
    const ssi = m.peripherals[0x18000], CTRLR0 = 0x00, SSIENR = 0x08, DR0 = 0x60;
    const from = ssi.readUint32.bind(ssi), to = ssi.writeUint32.bind(ssi);
    const command = () => to(CTRLR0, 7 << 16);
    let answers = [];
    ssi.writeUint32 = (at, value) => {
      to(at, value);
      if (at === SSIENR && value & 1 && (from(CTRLR0) >>> 16 & 31) === 31) this.xip = true;
      if (at === DR0 && (value & 0xff) === 0x4b) answers = [0, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8];
    };
    ssi.readUint32 = at => {
      if (at === DR0 && answers.length) return answers.shift();
      return from(at);
    };
    table.EX = () => { this.xip = false; command(); };
  }

  // CHIP_RESET (2.12.8): bit 8 after power-on or a sag. The watchdog (4.7): resets the chip, its scratch registers stay.
  resets(before) {
    const { m } = this, by = before?.again;
    const dog = m.peripherals[0x40058], chipReset = by === 'dog' ? 0 : 1 << 8;
    m.peripherals[0x40064] = Object.assign(Object.create(m.peripherals[0x40064]), { readUint32: at => at === 8 ? chipReset : 0 });
    if (by === 'dog') {
      const old = before.m.peripherals[0x40058];
      dog.scratchData.set(old.scratchData);
      dog.reason = old.reason;
    }
    if (by === 'dog' || by === 'sag') m.sram.set(before.m.sram);
    // Once; the emulator's would go off again at the same moment for ever.
    dog.onWatchdogTrigger = () => { this.again = 'dog'; dog.alarm.enable = false; };
    this.starts = (before?.starts ?? 0) + 1;
    // A reset lets go of every pin.
    const drives = of => of.gpio[CONTACTOR].outputEnable && of.gpio[CONTACTOR].outputValue;
    this.fellUs = before && drives(before.m) ? this.clock.micros : before?.fellUs ?? 0;
    let driven = false;
    m.gpio[CONTACTOR].addListener(() => {
      if (driven && !drives(m)) this.fellUs = this.clock.micros;
      driven = drives(m);
    });
  }

  // Four inputs in turn. The emulator's round robin stays at input 0 (it masks the input's number with a shift count).
  converter() {
    const adc = this.m.adc, CS = 0;
    Object.defineProperty(adc, 'activeChannel', {
      get() { return this.cs >> 12 & 7; },
      set(n) { this.cs = this.cs & ~(7 << 12) | (n & 7) << 12; },
    });
    let word = 0, sums = [0, 0, 0, 0];
    const to = adc.writeUint32.bind(adc);
    adc.writeUint32 = (at, value) => {
      // From the first input on: a sample begins.
      if (at === CS && value & 8 && !(adc.cs & 8)) word = 0;
      if (at === CS && !(value & 8)) adc.multiShotAlarm.cancel();
      to(at, value);
    };
    adc.onADCRead = input => {
      if (word % 64 === 0) sums = this.ask();
      const n = word++ >> 2 & 15;
      // Sixteen conversions of twelve bits that add up to the code.
      adc.channelValues[input] = (sums[input] >> 4) + (n < (sums[input] & 15) ? 1 : 0);
      adc.currentChannel = input;
      adc.sampleAlarm.schedule(adc.sampleTime * 1000);
    };
  }

  // CHAN_ABORT (2.5.7) reads zero once the channels have stopped, which is at once here.
  dma() {
    const dma = this.m.dma, CHAN_ABORT = 0x444, from = dma.readUint32.bind(dma);
    dma.readUint32 = at => at === CHAN_ABORT ? 0 : from(at);
  }

  // UART0 (4.2): 32 bytes of FIFO each way, a byte takes ten bits' time, a byte received asks DMA to fetch it. The emulator sends
  // at once and never asks.
  uart() {
    const { m, clock } = this, uart = m.uart[0], DR = 0, byteNs = 10e9 / UART_BAUD;
    const fifo = [], to = uart.writeUint32.bind(uart), from = uart.readUint32.bind(uart);
    const sender = clock.createAlarm(() => {
      this.out.push(fifo.shift());
      if (fifo.length) sender.schedule(byteNs);
    });
    uart.writeUint32 = (at, value) => {
      if (at !== DR) return to(at, value);
      if (fifo.length >= 32) fail('a byte written to a full UART');
      fifo.push(value & 0xff);
      if (fifo.length === 1) sender.schedule(byteNs);
    };
    const flags = Object.getOwnPropertyDescriptor(Object.getPrototypeOf(uart), 'flags').get;
    Object.defineProperty(uart, 'flags', {
      get() { return flags.call(this) & ~0x80 | (fifo.length ? 8 : 0x80) | (fifo.length >= 32 ? 0x20 : 0); },
    });
    const receiver = this.receiver = clock.createAlarm(() => {
      if (uart.rxFIFO.full) fail('a byte received by a full UART');
      uart.feedByte(this.in.shift());
      m.dma.setDREQ(uart.dreq.rx);
      if (this.in.length) receiver.schedule(byteNs);
    });
    this.byteNs = byteNs;
    uart.readUint32 = at => {
      const value = from(at);
      if (at === DR && uart.rxFIFO.empty) m.dma.clearDREQ(uart.dreq.rx);
      return value;
    };
  }

  // The cache before flash: 16 KiB, two ways, lines of 8 bytes (2.6.3), and what a line costs: address and mode 8, dummy 4, data 16
  // clocks of four bits each, at half the processor's clock. The emulator reads flash at once.
  cache() {
    const { m } = this, core = m.core, ways = new Int32Array(2048).fill(-1), newest = new Uint8Array(1024);
    const LINE_CYCLES = 56;
    let last = -1;
    this.fetch = address => {
      const line = address >>> 3;
      if (line === last) return;
      last = line;
      const set = line & 1023;
      if (ways[2 * set] === line) { newest[set] = 0; return; }
      if (ways[2 * set + 1] === line) { newest[set] = 1; return; }
      newest[set] ^= 1;
      ways[2 * set + newest[set]] = line;
      this.owed += LINE_CYCLES;
    };
    this.owed = 0;
    for (const name of ['readUint32', 'readUint16', 'readUint8']) {
      const plain = m[name].bind(m);
      core[name] = address => {
        if (address >>> 28 === 1 && address >>> 24 < 0x14) {
          if (!this.xip) fail(`flash is read at ${address.toString(16)} while it is written`);
          this.fetch(address);
        }
        return plain(address);
      };
    }
  }

  ask() {
    const m = this.m;
    let outputs = 0;
    for (let n = 0; n < 30; n++) if (m.gpio[n].outputEnable && m.gpio[n].outputValue) outputs |= 1 << n;
    const head = Buffer.alloc(38);
    head.writeUInt32LE(outputs >>> 0, 0);
    head.writeUInt32LE(this.starts, 4);
    head.writeDoubleLE(this.clock.micros, 8);
    head.writeDoubleLE(this.fellUs, 16);
    head.writeUInt32LE(this.worked, 24);
    head.writeUInt32LE(this.stalled, 28);
    head.writeUInt32LE(this.lowest, 32);
    head.writeUInt16LE(this.out.length, 36);
    write(Buffer.concat([head, Buffer.from(this.out)]));
    this.worked = 0; this.stalled = 0; this.out = []; this.asked = this.clock.micros;
    const answer = read(16);
    const sums = [0, 2, 4, 6].map(at => Math.min(Math.max(answer.readInt16LE(at) + 32768, 0), 65520));
    const inputs = answer.readUInt32LE(8), happens = answer.readUInt16LE(12), len = answer.readUInt16LE(14);
    for (let n = 0; n < 26; n++) {
      const high = !!(inputs >>> n & 1);
      if (m.gpio[n].rawInputValue !== high) m.gpio[n].setInputValue(high);
    }
    if (len) {
      const idle = this.in.length === 0;
      this.in.push(...read(len));
      if (idle) this.receiver.schedule(this.byteNs);
    }
    if (happens & HAPPENS.HARD_FAULT) this.faulted = true;
    if (happens & HAPPENS.HANG) this.hung = true;
    if (happens & HAPPENS.MARK_GONE) m.sram.fill(0, 0, 4);
    if (happens & HAPPENS.SUPPLY_GONE) this.again = 'gone';
    if (happens & HAPPENS.SUPPLY_SAGS) this.again = 'sag';
    if (happens & HAPPENS.OVERRUN) m.adc.fcs |= 1 << 11;
    if (happens & HAPPENS.STALL) this.stalledUntilUs = this.clock.micros + STALL_US;
    return sums;
  }

  run() {
    const { m, clock } = this, core = m.core, TABLE = FLASH + 0x100;
    core.VTOR = TABLE; core.SP = m.readUint32(TABLE); core.PC = m.readUint32(TABLE + 4) & ~1;
    this.asked = clock.micros; this.lowest = core.SP;
    for (let n = 0; !this.again; n++) {
      if (core.waiting || this.hung || clock.micros < this.stalledUntilUs) {
        const next = clock.nanosToNextAlarm;
        clock.tick(next > 0 ? next : CYCLE_NS);
      } else {
        let cycles = core.executeInstruction();
        cycles += this.owed; this.stalled += this.owed; this.owed = 0;
        this.worked += cycles;
        if (core.SP < this.lowest) this.lowest = core.SP;
        clock.tick(cycles * CYCLE_NS);
        if (this.faulted) { this.faulted = false; core.exceptionEntry(3); }
      }
      if ((n & 0xffff) === 0 && clock.micros - this.asked > STALLED_US) {
        fail(`no sample for ${STALLED_US / 1e6} s, at ${core.PC.toString(16)}`);
      }
    }
  }
}

let chip = new Chip(null);
load(fs.readFileSync(process.argv[2]), chip.m.flash);
for (;;) {
  chip.run();
  chip = new Chip(chip);
}
