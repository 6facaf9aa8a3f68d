-- Shows captures of the bench in Wireshark and tshark (4.0 and later):
--
--     tshark -n -X lua_script:scripts/benchsim.lua -r capture.pcapng
--     tshark -n -X lua_script:scripts/benchsim.lua -r capture.pcapng -T fields -e frame.time_epoch -e benchsim.words
--
-- The payload of a link's packet is six bytes a word, big-endian: u16 value (bits 7-0 data, bit 8 mode,
-- bit 14 break, bit 15 framing error), u32 nanoseconds of idle line before it (of a break: its length).
-- The interface `machine` holds JSON. Who spoke stands in the packet's comment where several could.

local MODE, BREAK, FRAMING = 0x0100, 0x4000, 0x8000

local link_proto = Proto("benchsim", "Words on a link of the bench")
local link_fields = {
    link = ProtoField.string("benchsim.link", "Link"),
    sender = ProtoField.string("benchsim.sender", "Sender", base.UNICODE, "Seat that spoke, where it is known"),
    out = ProtoField.bool("benchsim.out", "Asking side", base.NONE, nil, 0, "Spoken on the asking side's conductor"),
    words = ProtoField.string("benchsim.words", "Words", base.UNICODE, "Data with the mode bit, ! where framing is wrong"),
    count = ProtoField.uint32("benchsim.count", "Words in all"),
    word = ProtoField.uint16("benchsim.word", "Word", base.HEX),
    data = ProtoField.uint16("benchsim.data", "Data", base.HEX, nil, 0x00FF),
    mode = ProtoField.bool("benchsim.mode", "Mode", 16, nil, MODE),
    framing = ProtoField.bool("benchsim.framing", "Framing error", 16, nil, FRAMING),
    gap = ProtoField.uint32("benchsim.gap_ns", "Idle before it (ns)"),
    break_ns = ProtoField.uint64("benchsim.break_ns", "Break (ns)"),
}
link_proto.fields = link_fields

local machine_proto = Proto("benchsim_machine", "What happened at the bench off the links")
local machine_fields = {
    seat = ProtoField.string("benchsim.seat", "Seat"),
    kind = ProtoField.string("benchsim.kind", "Kind"),
    json = ProtoField.string("benchsim.json", "JSON"),
}
machine_proto.fields = machine_fields

local interface_name = Field.new("frame.interface_name")
local packet_comment = Field.new("frame.comment")

-- `key=value;key=value` of a packet's comment
local function said(key)
    local comment = packet_comment()
    return comment and (";" .. tostring(comment)):match(";" .. key .. "=([^;]*)")
end

local function is_set(word, flag)
    return bit.band(word, flag) ~= 0
end

-- The payment bus has nine bits a word: three digits.
local function shown(word, link)
    local text = string.format(link == "bus" and "%03X" or "%02X", bit.band(word, 0x01FF))
    return is_set(word, FRAMING) and text .. "!" or text
end

local function add_break(tree, buffer)
    local length = said("length_ns")
    local ns = length and UInt64(length) or buffer(2, 4):uint64()
    tree:add(link_fields.break_ns, buffer(2, 4), ns)
    return "break " .. tostring(ns) .. " ns"
end

local function add_words(tree, buffer, link)
    local texts = {}
    for at = 0, buffer:len() - 6, 6 do
        local word = buffer(at, 2)
        texts[#texts + 1] = shown(word:uint(), link)
        local branch = tree:add(link_fields.word, word)
        branch:add(link_fields.data, word)
        branch:add(link_fields.mode, word)
        branch:add(link_fields.framing, word)
        branch:add(link_fields.gap, buffer(at + 2, 4))
    end
    return table.concat(texts, " ")
end

function link_proto.dissector(buffer, pinfo, tree)
    if buffer:len() < 6 or buffer:len() % 6 ~= 0 then
        return 0
    end
    local link = interface_name() and tostring(interface_name()) or "?"
    local out = pinfo.p2p_dir == P2P_DIR_SENT
    local sender = said("sender")
    local branch = tree:add(link_proto, buffer())
    branch:add(link_fields.link, link):set_generated()
    branch:add(link_fields.out, out):set_generated()
    if sender then
        branch:add(link_fields.sender, sender):set_generated()
    end
    branch:add(link_fields.count, buffer:len() / 6):set_generated()
    local text = is_set(buffer(0, 2):uint(), BREAK) and add_break(branch, buffer) or add_words(branch, buffer, link)
    branch:add(link_fields.words, text):set_generated()
    branch:append_text(": " .. text)
    pinfo.cols.protocol = link
    pinfo.cols.src = sender or (link .. (out and " out" or " in"))
    pinfo.cols.info = text
    return buffer:len()
end

function machine_proto.dissector(buffer, pinfo, tree)
    local json = buffer():string()
    local kind, seat = json:match('"kind":"([^"]*)","seat":"([^"]*)"}$')
    local branch = tree:add(machine_proto, buffer())
    branch:add(machine_fields.seat, buffer(), seat or "?"):set_generated()
    branch:add(machine_fields.kind, buffer(), kind or "?"):set_generated()
    branch:add(machine_fields.json, buffer(), json)
    pinfo.cols.protocol = "machine"
    pinfo.cols.src = seat or "?"
    pinfo.cols.info = (kind or "?") .. " " .. (json:match('^{"data":(.*),"kind":') or "")
    return buffer:len()
end

local by_link_type = DissectorTable.get("wtap_encap")
by_link_type:add(wtap.USER0, link_proto)
by_link_type:add(wtap.USER1, machine_proto)
