#define CATCH_CONFIG_RUNNER
#include <catch2/catch.hpp>
#include <juce_events/juce_events.h>

int main(int argc, char** argv) {
    const juce::ScopedJuceInitialiser_GUI juce_runs; // a message thread, this one; no display is opened
    return Catch::Session().run(argc, argv);
}
