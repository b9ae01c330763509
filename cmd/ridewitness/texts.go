package main

const cautionsText = `Before you rely on anything here

  This program is a witness, not an interlock. It stops nothing and holds nothing.
  It sees frames on a network. It does not see the lift, the jack, the stands, the
  lines in your hand or the person under the car.
  It can be blind: ignition off, bus asleep, adapter out, a definition that is wrong.
  When it is, it says 'cannot tell'. No warning is no proof.
  "Above least pressure" means that a bellows may be rolled. It does not mean that
  the spring will carry the body.

What hurts people at this work

  Air under pressure: bleed before you open a line, wear eye protection, keep your
  face away from fittings, expect what is left after a bleed to rise again.
  A body that comes down: never be under it while it moves, use stands where the
  maker asks for them, lower only when every spring that carries holds pressure.
  Control units act by themselves: ignition off and the tester's heartbeat kept up
  while lines are open.

Who decides

  The vehicle maker's instructions, local rules and licensed practice come first.
  Where this program and they differ, they are right.
`

const marksText = `
Set one with 'ridewitness mark SESSION.pcapng NAME --corner rear-left'. Corners are
front-left, front-right, rear-left, rear-right. A job card adds more names. Nothing is
ever deleted: 'take-back' with the number of a record withdraws it and stays on record.
`

const signalsText = `A definition says where a value lies and what it means. It is a YAML file of your own:

  version: 1
  signals:
    - name: rear_left_pressure
      corner: rear-left            # front-left front-right rear-left rear-right
      quantity: pressure           # pressure height air-temperature ambient-temperature
                                   # barometric-pressure supply-pressure engine-speed
                                   # vehicle-speed battery-voltage ignition compressor
                                   # valve other
      unit: bar                    # bar kPa Pa mm m degC K rpm km/h V
      reference: gauge             # gauge or absolute: there is no default, since an
                                   # absolute sensor read as gauge shows air that is
                                   # not there. Heights: design, where the network
                                   # sends them relative to design height
      from: {frame: 0x4A1, format: standard, bus: can0}
      bytes: 1-2                   # counted from 0
      order: low-first             # or high-first
      mask: 0xFFF0                 # over the assembled number; contiguous ones
      signed: false
      scale: 0.01                  # value = raw x scale + offset; raw is what lies
      offset: 0                    # under the mask, shifted down to its lowest bit
      valid: {min: 0, max: 20}     # outside is reported, never clipped
      invalid_raw: [0xFFF]         # bit patterns; {from: 0xFB00, to: 0xFFFF} is a range
      when: {bytes: 0, mask: 0x0F, equals: 3}   # only in these payloads
      proof: assumed               # proven, assumed or contradicted
      uncertainty: 0.05            # one standard deviation, in unit

Other sources, in place of a frame:

  from: {parameter_group: 65112, source_address: any}                 # SAE J1939
  from: {data_identifier: 0x2B01, request: 0x6D4, response: 0x6DC}    # ISO 14229, 0x22
  from: {parameter_id: 0x0C, service: 0x01}                           # SAE J1979

Signals with states: 'states: {0: off, 1: on}' in place of scale and unit.
Built in, by name: j1939, obd. Give --signals several times; a later one replaces the
same corner and quantity. Start with 'ridewitness look FILE', then
'ridewitness look FILE --signals MINE.yaml' to see what each signal did, and
'ridewitness explain FILE PACKET' for the bits of one packet.
'ridewitness help signals --schema' prints the JSON Schema.
`

const jobcardText = `A job card says what no network knows. Everything on it is optional; what is missing
limits what can be judged, and the review says which.

  version: 1
  job: rear springs renewed
  vehicle: {label: demo wagon 7}
  serviced: [rear-left, rear-right]
  springs:                        # which corners ride on air; pressures are gauge
    rear: {corners: [rear-left, rear-right], volume: 2.2 L, effective_area: 98 cm2,
           motion_ratio: 1, least_pressure: 1 bar, greatest_pressure: 11 bar}
  new_springs:
    rear-left: {use_by: 2027-05, length: 312 mm, greatest_length: 318 mm}
  heights:                        # hub centre to wheel-arch edge, by tape
    rear-left: {before: 391 mm, series: 395 mm, tolerance: 5 mm}
  height_readings:                # ties the network's height to the tape
    - {corner: rear-left, at: 2026-03-02T09:14:05Z, tape: 391 mm}
  limits: {leak: 4 ml/min, side_difference: 8 mm, run_before_lowering: 2 min}
  ask: [sides-uneven]             # rules that this job wants an answer to
  stages:                         # what the tester's requests mean on this vehicle
    - {stage: bleed, corners: [rear-left], routine: 0x0301, request: 0x6D4, response: 0x6DC}
  said:                           # printed as said, with who
    - {item: axle alignment measured, by: KL, at: 2026-03-02T15:40:00Z}

Quantities carry their unit and are checked for it. 'ridewitness help rules' lists the
limits. 'ridewitness help jobcard --schema' prints the JSON Schema.
`

const filesText = `A session is one pcapng file (IETF draft): one interface a bus, link type 227. Any
general-purpose packet tool opens it. Packet numbers count its packets from 1.
Between the packets lies the journal, in blocks of local use that other readers skip:
marks, warnings, losses, clock readings, seals. Journal records are J1, J2, ...

A seal holds the running SHA-256 of every byte of its section before it. 'ridewitness
verify FILE' says
  sealed      every byte is as it was written
  unsealed    there is no seal: nothing proves the file, and nothing speaks against it
  altered     a byte was changed, from the place and time that are named on
  cut-short   the end is missing; what comes before is still good
A seal without a key proves nothing against the file's owner.

'ridewitness mend FILE --output CLEAN.pcapng' writes what is still good into a new file.
Nothing is ever deleted from a session; additions go to its end.
Classic pcap and pcapng files made elsewhere are read too.
`

const exitText = `  0  done, nothing found
  1  the program itself failed
  2  wrong use, or input that can't be read
  3  a warning was given (review); altered (review, verify); something needs doing
     (prepare)
  4  nothing can be told (review); cut short (review, verify); unsealed (verify)

'demo' and 'handover' end with 0 when they ran, whatever there was to say.
`
