"""Small invented chassis, one for each topology, for checks against formulas and against another solver."""

TOPOLOGIES = {
    "common cathode, bypassed": """
chassis: common cathode, bypassed
tubes: {V1: 12AX7}
rails: {HT: {volts: 300, source: 10}}
parts:
  C1: 22n IN V1.2
  R1: 1M V1.2 gnd
  R2: 100k HT V1.1
  R3: 1k5 V1.3 gnd
  C2: 25u V1.3 gnd
  C3: 22n V1.1 OUT
  R4: 470k OUT gnd
signal: {input: IN, output: OUT, source_ohms: 100, stages: {one: [V1.2, V1.1]}}
""",
    "common cathode, unbypassed": """
chassis: common cathode, unbypassed
tubes: {V1: 6SN7GT}
rails: {HT: {volts: 250, source: 10}}
parts:
  R1: 470k V1.4 gnd
  C1: 100n IN V1.4
  R2: 47k HT V1.5
  R3: 1k8 V1.6 gnd
  C3: 100n V1.5 OUT
  R4: 470k OUT gnd
signal: {input: IN, output: OUT, source_ohms: 100, stages: {one: [V1.4, V1.5]}}
""",
    "cathode follower": """
chassis: cathode follower with its own bias
tubes: {V1: 12AU7}
rails: {HT: {volts: 280, source: 10}}
parts:
  C1: 100n IN V1.2
  R1: 1M V1.2 TAP
  R2: 1k V1.3 TAP
  R3: 22k TAP gnd
  C2: {capacitor: 1u, nodes: [V1.3, OUT], tolerance: 10%}
  R4: 100k OUT gnd
joined: [[HT, V1.1]]
signal: {input: IN, output: OUT, source_ohms: 100, stages: {one: [V1.2, V1.3]}}
""",
    "cathodyne": """
chassis: cathodyne
tubes: {V1: 12AX7}
rails: {HT: {volts: 250, source: 10}}
parts:
  C1: 100n IN V1.7
  R1: 1M V1.7 TAP
  R2: 1k5 V1.8 TAP
  R3: 56k TAP gnd
  R4: 56k HT V1.6
  C2: 100n V1.6 OUTA
  R5: 220k OUTA gnd
  C3: 100n V1.8 OUTB
  R6: 220k OUTB gnd
signal: {input: IN, output: OUTA, source_ohms: 38k, stages: {plate: [V1.7, V1.6], cathode: [V1.7, V1.8]}}
""",
    "long-tailed pair": """
chassis: long-tailed pair with its own bias
tubes: {V1: 12AX7}
rails: {HT: {volts: 320, source: 10}}
parts:
  C1: 100n IN V1.2
  R1: 1M V1.2 TAIL
  R2: 1M V1.7 TAIL
  C2: 100n V1.7 gnd
  R3: 470 V1.3 TAIL
  R4: 10k TAIL gnd
  R5: 82k HT V1.1
  R6: 100k HT V1.6
  C3: 22n V1.1 OUTA
  R7: 220k OUTA gnd
  C4: 22n V1.6 OUTB
  R8: 220k OUTB gnd
joined: [[V1.3, V1.8]]
signal: {input: IN, output: OUTA, source_ohms: 100, stages: {first: [V1.2, V1.1], second: [V1.2, V1.6]}}
""",
    "pentode": """
chassis: pentode voltage amplifier
tubes: {V1: EF86}
rails: {HT: {volts: 300, source: 10}}
parts:
  C1: 47n IN V1.9
  R1: 1M V1.9 gnd
  R2: 220k HT V1.6
  R3: 1M HT V1.1
  C2: 100n V1.1 gnd
  R4: 2k2 V1.3 gnd
  C3: 25u V1.3 gnd
  C4: 22n V1.6 OUT
  R5: 1M OUT gnd
signal: {input: IN, output: OUT, source_ohms: 100, stages: {one: [V1.9, V1.6]}}
""",
    "single-ended output": """
chassis: single-ended output stage
tubes: {V1: EL84}
rails: {HT: {volts: 272.8, source: 50}}
parts:
  C1: 22n IN V1.2
  R1: 470k V1.2 gnd
  R2: 135 V1.3 gnd
  C2: 100u V1.3 gnd
  R3: 100 HT V1.9
  T1: {transformer: [5k2, 8], primary: [HT, V1.7], secondary: [SPK, gnd], primary_ohms: 250, secondary_ohms: 0.5,
       primary_henries: 12, leakage_henries: 10m}
  RL: 8 SPK gnd
signal: {input: IN, output: SPK, source_ohms: 1k, stages: {one: [V1.2, SPK]}}
""",
    "push-pull output": """
chassis: push-pull output stage, fixed bias, driven on one side
tubes: {V1: EL34, V2: EL34}
rails: {HT: {volts: 428.9, source: 20}, BIAS: {volts: -38, source: 10}}
parts:
  C1: 100n IN V1.5
  R1: 220k V1.5 BIAS
  R2: 220k V2.5 BIAS
  C2: 100n V2.5 gnd
  R3: 1k HT V1.4
  R4: 1k HT V2.4
  R5: 1 V1.8 gnd
  R6: 1 V2.8 gnd
  T1: {transformer: [3k8, 8], primary: [V1.3, HT, V2.3], secondary: [SPK, gnd], primary_ohms: 120,
       secondary_ohms: 0.3, primary_henries: 40}
  RL: 8 SPK gnd
signal: {input: IN, output: SPK, source_ohms: 1k, stages: {one: [V1.5, SPK]}}
""",
    "screens on taps": """
chassis: push-pull output stage, screens on taps of the primary, own bias, driven on one side
tubes: {V1: EL34, V2: EL34}
rails: {HT: {volts: 400, source: 20}}
parts:
  C1: 100n IN V1.5
  R1: 220k V1.5 gnd
  R2: 220k V2.5 gnd
  C2: 100n V2.5 gnd
  R3: 100 UL1 V1.4
  R4: 100 UL2 V2.4
  R5: 470 V1.8 gnd
  R6: 470 V2.8 gnd
  C5: 100u V1.8 gnd
  C6: 100u V2.8 gnd
  T1: {transformer: [6k6, 8], primary: [V1.3, UL1, HT, UL2, V2.3], tap: 0.43, secondary: [SPK, gnd],
       primary_ohms: 180, secondary_ohms: 0.3, primary_henries: 40}
  RL: 8 SPK gnd
signal: {input: IN, output: SPK, source_ohms: 1k, stages: {one: [V1.5, SPK]}}
""",
    "choke load and volume control": """
chassis: choke load and volume control
tubes: {V1: 6C4}
rails: {HT: {volts: 240, source: 100}}
parts:
  C1: 100n IN V1.6
  R1: 470k V1.6 gnd
  L1: {inductor: 20, nodes: [HT, V1.5], ohms: 600}
  R3: 560 V1.7 gnd
  C2: 47u V1.7 gnd
  C3: 100n V1.5 P1TOP
  P1: {potentiometer: 100k, ends: [P1TOP, gnd], wiper: OUT, at: 0.3}
  R4: 220k OUT gnd
signal: {input: IN, output: OUT, source_ohms: 600, stages: {one: [V1.6, OUT]}}
""",
    "pentode joined as a triode": """
chassis: pentode joined as a triode
tubes: {V1: EL34}
rails: {HT: {volts: 350, source: 10}}
parts:
  C1: 100n IN V1.5
  R1: 220k V1.5 gnd
  R2: 470 V1.8 gnd
  R3: 4k HT V1.3
joined: [[V1.1, V1.8], [V1.3, V1.4]]
signal: {input: IN, output: V1.3, source_ohms: 100}
""",
    "grounded cathode, fixed bias": """
chassis: grounded cathode, fixed bias
tubes: {V1: 12AX7}
rails: {HT: {volts: 250, source: 10}, BIAS: {volts: -1.5, source: 100}}
parts:
  C1: 100n IN V1.2
  R1: 220k V1.2 BIAS
  R3: 100k HT V1.1
joined: [[V1.3, gnd]]
signal: {input: IN, output: V1.1, source_ohms: 100}
""",
    "grounded grid": """
chassis: grounded grid
tubes: {V1: 12AT7}
rails: {HT: {volts: 250, source: 10}}
parts:
  C1: 10u IN V1.3
  R1: 470 V1.3 gnd
  R3: 22k HT V1.1
joined: [[V1.2, gnd]]
signal: {input: IN, output: V1.1, source_ohms: 100}
""",
}
