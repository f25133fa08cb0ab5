#include "offline/session/roles.h"
#include "settings/parameters.h"
#include <catch2/catch.hpp>

using namespace kitfold;
using namespace kitfold::offline;

namespace {

/// Token of each file's role ("a+b" for a stereo file), in the order of the files. A "*" behind a stem:
/// stereo.
std::vector<std::string> guessed(const std::vector<std::string>& stems) {
    std::vector<NamedFile> files;
    for (const auto& stem : stems) {
        const bool stereo = stem.ends_with('*');
        files.push_back({stem.substr(0, stem.size() - (stereo ? 1 : 0)), stereo});
    }
    std::vector<std::string> out;
    for (const auto& guess : guess_roles(files)) {
        std::string tokens;
        for (const auto role : guess.roles)
            tokens += (tokens.empty() ? "" : "+") + std::string(dsp::token(role));
        out.push_back(tokens);
    }
    return out;
}

} // namespace

TEST_CASE("the role of one file by its name", "[roles]") {
    // spellings as engineers type them: common practice, no source
    const std::vector<std::pair<std::string, std::string>> table = {
        {"KIK IN", "kick_in"},
        {"Kick Out_03", "kick_out"},
        {"SN top", "snare_top"},
        {"snr btm", "snare_bottom"},
        {"RT1", "rack_tom"},
        {"FT", "floor_tom"},
        {"OH L", "overhead_left"},
        {"OHR", "overhead_right"},
        {"Room", "room_mono"},
        {"01-kick", "kick_in"},
        {"Tom 1", "rack_tom"},
        {"BD", "kick_in"},
        {"HH", "hihat"},
        {"ride", "ride"},
        {"kick_in", "kick_in"},
        {"kick_out", "kick_out"},
        {"KickOut", "kick_out"},
        {"KICKOUT", "kick_out"},
        {"BD Outside", "kick_out"},
        {"Bass Drum in", "kick_in"},
        {"bassdrum", "kick_in"},
        {"Sub Kick", "kick_out"},
        {"K in", "kick_in"},
        {"Kick beater", "kick_in"},
        {"02_Snare", "snare_top"},
        {"SNTop", "snare_top"},
        {"snrtop", "snare_top"},
        {"SD-Bot", "snare_bottom"},
        {"Snare Under", "snare_bottom"},
        {"snare_bottom", "snare_bottom"},
        {"SnareBtm.02", "snare_bottom"},
        {"Rack", "rack_tom"},
        {"Rack Tom 2", "rack_tom_2"},
        {"RT2", "rack_tom_2"},
        {"rack_tom_2", "rack_tom_2"},
        {"T1", "rack_tom"},
        {"Hi Tom", "rack_tom"},
        {"HiTom", "rack_tom"},
        {"Floor", "floor_tom"},
        {"FLR TOM", "floor_tom"},
        {"F Tom", "floor_tom"},
        {"Low Tom", "floor_tom"},
        {"FT2", "floor_tom_2"},
        {"floor_tom_2", "floor_tom_2"},
        {"Hat", "hihat"},
        {"hi-hat", "hihat"},
        {"Hi Hat", "hihat"},
        {"HiHat", "hihat"},
        {"hihat", "hihat"},
        {"RD", "ride"},
        {"Ride Cymbal", "ride"},
        {"OH_R", "overhead_right"},
        {"OHs L", "overhead_left"},
        {"OH Lft", "overhead_left"},
        {"overhead_left", "overhead_left"},
        {"Overhead Right", "overhead_right"},
        {"Over Head L", "overhead_left"},
        {"OverheadL", "overhead_left"},
        {"OH Rt", "overhead_right"},
        {"OH", "overhead_mono"},
        {"OH mono", "overhead_mono"},
        {"OH hat side", "overhead_left"},
        {"OH ride side", "overhead_right"},
        {"Room L", "room_left"},
        {"RoomR", "room_right"},
        {"room_right", "room_right"},
        {"Rm Mono", "room_mono"},
        {"Amb L", "room_left"},
        {"Kick Room", "room_mono"},
        {"Track 3 Snare take 2", "snare_top"},
        {"Snare top 48k", "snare_top"},
        {"Kick In 2024-05-03", "kick_in"},
        {"OH*", "overhead_left+overhead_right"},
        {"Rooms*", "room_left+room_right"},
        {"Kick in*", "kick_in+other"},
        {"Cowbell", "other"},
        {"Audio 1_03", "other"},
        {"Crash", "other"},
        {"Bass DI", "other"},
        {"Click", "other"},
        {"Kick trig", "other"},
        {"Drum Mix*", "other+other"},
        {"", "other"},
        {"03", "other"},
        {"99999999999999999999", "other"},
        {"\xff\xfeKick", "kick_in"},
    };
    for (const auto& [stem, role] : table) {
        INFO(stem);
        CHECK(guessed({stem})[0] == role);
    }
}

TEST_CASE("roles of files that stand together", "[roles]") {
    using List = std::vector<std::string>;
    CHECK(guessed({"Tom 1", "Tom 2"}) == List{"rack_tom", "floor_tom"});
    CHECK(guessed({"Tom 1", "Tom 2", "Tom 3"}) == List{"rack_tom", "rack_tom_2", "floor_tom"});
    CHECK(guessed({"Tom 4", "Tom 3", "Tom 2", "Tom 1"}) ==
          List{"floor_tom_2", "floor_tom", "rack_tom_2", "rack_tom"});
    CHECK(guessed({"Tom 1", "Tom 2", "FT"}) == List{"rack_tom", "rack_tom_2", "floor_tom"});
    CHECK(guessed({"Tom", "Floor Tom"}) == List{"rack_tom", "floor_tom"});
    CHECK(guessed({"Hi Tom", "Mid Tom", "Low Tom"}) == List{"rack_tom", "rack_tom_2", "floor_tom"});
    CHECK(guessed({"Low Tom", "Floor Tom", "Hi Tom"}) == List{"rack_tom_2", "floor_tom", "rack_tom"});
    CHECK(guessed({"Hi Tom", "Mid Tom", "Low Tom", "FT"}) ==
          List{"rack_tom", "rack_tom_2", "floor_tom_2", "floor_tom"});
    CHECK(guessed({"Kick", "Kick Out"}) == List{"kick_in", "kick_out"});
    CHECK(guessed({"Kick", "Kick In"}) == List{"kick_out", "kick_in"});
    CHECK(guessed({"Kick 1", "Kick 2"}) == List{"kick_in", "kick_out"});
    CHECK(guessed({"Snare 2", "Snare 1"}) == List{"snare_bottom", "snare_top"});
    CHECK(guessed({"Snare", "Snare btm"}) == List{"snare_top", "snare_bottom"});
    CHECK(guessed({"OH 2", "OH 1"}) == List{"overhead_right", "overhead_left"});
    CHECK(guessed({"OH L", "OH R", "OH"}) == List{"overhead_left", "overhead_right", "overhead_mono"});
    CHECK(guessed({"Room 1", "Room 2"}) == List{"room_left", "room_right"});
    CHECK(guessed({"Kick In", "Kick In 2"}) == List{"kick_in", "other"});
    CHECK(guessed({"HH", "Hat 2"}) == List{"hihat", "other"});
    CHECK(guessed({"OH L", "OH*"}) == List{"overhead_left", "other+other"});
}

TEST_CASE("what all names share says nothing about one of them", "[roles]") {
    using List = std::vector<std::string>;
    CHECK(guessed({"Top Floor - Kick", "Top Floor - Snare", "Top Floor - FT"}) ==
          List{"kick_in", "snare_top", "floor_tom"});
    CHECK(guessed({"Room 5 Kick_02", "Room 5 OH L_02", "Room 5 RT_02"}) ==
          List{"kick_in", "overhead_left", "rack_tom"});
    CHECK(guessed({"Kick L", "OH L", "Room L"}) == List{"kick_in", "overhead_left", "room_left"});
}

TEST_CASE("every guess that is not plain says why", "[roles]") {
    const auto note = [](std::vector<NamedFile> files) { return guess_roles(files).back().note; };
    using Catch::Contains;
    CHECK(note({{"Kick In"}}).empty());
    CHECK_THAT(note({{"Kick"}}), Contains("inside or in the port"));
    CHECK_THAT(note({{"Cowbell"}}), Contains("does not say which mic"));
    CHECK_THAT(note({{"HH"}, {"Hat 2"}}), Contains("also looks like hi-hat, which HH already is"));
    CHECK_THAT(note({{"OH", true}}), Contains("channel 1 is left, channel 2 right"));
    CHECK_THAT(note({{"Tom 1"}, {"Tom 2"}}), Contains("on the floor"));
    CHECK_FALSE(guess_roles({{"Click"}})[0].of_the_kit);
    CHECK(guess_roles({{"Cowbell"}})[0].of_the_kit);
}
